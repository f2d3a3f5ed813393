"""Planning limits: documented, strict about what a workshop may change, and all of them used."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from insole.errors import PlanError
from insole.record import limits as lim

RECORD = Path(lim.__file__).parent
PACKAGE = RECORD.parent


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_number_states_unit_and_reason():
    for name, limit in lim.default_limits().items():
        assert limit.name == name
        assert limit.unit, name
        assert limit.reason.strip(), name
        assert not limit.by_workshop


def test_the_file_holds_nothing_that_is_not_a_limit():
    """Counted by a second reading: every table with a value is a limit, and only those."""
    raw = tomllib.loads((RECORD / "limits.toml").read_text(encoding="utf-8"))

    def leaves(table: dict) -> int:
        return sum(1 if "value" in v else leaves(v) for v in table.values())

    assert leaves(raw) == len(lim.default_limits())


def test_every_name_asked_for_in_the_package_exists():
    names = lim.default_limits()
    asked = set()
    for path in PACKAGE.rglob("*.py"):
        asked |= set(re.findall(r'limits\.value\(\s*"([\w.]+)"', path.read_text(encoding="utf-8")))
    assert len(asked) > 40
    assert asked <= set(names)


# names that the code puts together: a place's cap, a room's bound, a load case's share
BUILT = (
    (
        r"wedge\.(forefoot|heel|under)\.(warn|refuse)_(deg|mm)",
        r'f"wedge\.\{key\}\.(warn|refuse)_(deg|mm)"',
    ),
    (r"fit\.\w+_room_(least|most)", r'f"\{line\.key\}_(least|most)"'),
    (r"contact\.(standing|pedalling)_share", r'f"contact\.\{name\}_share"'),
)


def test_no_limit_is_without_use():
    """Each name stands in the code as text, or is one of those that the code puts together."""
    whole = "\n".join(path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py"))
    unused = []
    for name in lim.default_limits():
        built = any(re.fullmatch(pattern, name) and re.search(use, whole) for pattern, use in BUILT)
        stem = name.removesuffix("_least").removesuffix("_most")
        if f'"{name}"' not in whole and not (
            built and (not name.startswith("fit.") or f'"{stem}"' in whole)
        ):
            unused.append(name)
    assert unused == []


def test_lowering_from_seated_follows_the_published_index():
    """AHI 0.363 seated, 0.340 standing (Butler 2008, value from memory) over 190 mm: 4.4 mm."""
    assert lim.default_limits().value("load.from_seated") == pytest.approx(0.023 * 190, abs=0.5)


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ("support.unsure", "support.first_trial"),
        ("support.first_trial", "support.warn_above"),
        ("support.warn_above", "support.refuse_above"),
        ("feel.slope", "feel.slope_medial"),
        ("wedge.forefoot.warn_deg", "wedge.forefoot.refuse_deg"),
        ("wedge.forefoot.warn_mm", "wedge.forefoot.refuse_mm"),
        ("wedge.heel.warn_deg", "wedge.heel.refuse_deg"),
        ("wedge.sum_warn", "wedge.sum_refuse"),
        ("thickness.ball_warn", "thickness.ball_refuse"),
        ("keepout.ball_clear", "keepout.ball_thin"),
        ("load.from_seated", "load.from_none"),
    ],
)
def test_limits_that_belong_together_are_in_order(low, high):
    values = lim.default_limits()
    assert values.value(low) < values.value(high)


def test_a_workshop_changes_one_entry_and_keeps_the_rest(tmp_path):
    path = own(
        tmp_path,
        '[support]\nfirst_trial = {value = 0.7, reason = "our riders"}\n'
        "[wedge.forefoot]\nwarn_deg = 1.5\n",
    )
    changed = lim.load(path)
    assert changed.value("support.first_trial") == 0.7
    assert changed["support.first_trial"].reason == "our riders"
    assert changed.value("wedge.forefoot.warn_deg") == 1.5
    assert {limit.name for limit in changed.by_workshop} == {
        "support.first_trial",
        "wedge.forefoot.warn_deg",
    }
    for name, limit in lim.default_limits().items():
        if not changed[name].by_workshop:
            assert changed[name] == limit


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[support]\nfirst_trail = 0.7\n", "did you mean 'support.first_trial'"),
        ("[xyz]\nq = 1\n", "no limit called 'xyz.q'; insole/record/limits.toml has all names"),
        ("[noise]\nmaking = 0.5\n", "'noise.making' is a limit of scan quality, .* be changed"),
        ("[support]\nfirst_trial = {value = 70, unit = '%'}\n", "share of the gap, not %"),
        ("[support]\nfirst_trial = 'much'\n", "needs a number"),
        ("[support]\nfirst_trial = true\n", "needs a number"),
        ("[support]\nfirst_trial = inf\n", "number at support.first_trial that is none"),
        ("[support]\nfirst_trial = {value = 0.7, why = 'x'}\n", "unknown key 'why'"),
        ("[feel]\nslope = -25\n", "cannot be -25"),
        ("[support\n", "not valid TOML"),
    ],
)
def test_what_cannot_be_accepted_is_named(tmp_path, text, match):
    with pytest.raises(PlanError, match=match):
        lim.load(own(tmp_path, text))


def test_a_missing_file_is_one_sentence(tmp_path):
    with pytest.raises(PlanError, match=r"none\.toml.*check the path"):
        lim.load(tmp_path / "none.toml")


def test_a_file_that_is_not_text_is_refused(tmp_path):
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(PlanError, match="not valid TOML text"):
        lim.load(path)


def test_a_workshop_file_may_start_with_a_byte_order_mark(tmp_path):
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xef\xbb\xbf[support]\nstep = 0.05\n")
    assert lim.load(path).value("support.step") == 0.05
