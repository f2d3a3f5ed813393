"""Warnings for the bench: each in the row of the thing it concerns, as short as it can be.

    FootPlan -> warnings(row) -> sentences in bench wording, the plan's own where there is none

A note of the plan explains; at the bench only what is to be done counts. Each short wording takes
its numbers from the plan's sentence, and where that reads otherwise the sentence itself is used.
"""

from __future__ import annotations

import re

from insole.output.phrases import capital, noted
from insole.record.plan import FootPlan, Note, NoteLevel, Plan

__all__ = ["bench_words", "plan_warnings", "row_of", "warnings"]

# what each code concerns; the first beginning that fits decides
ROWS = (
    ("shoe", ("fit-",)),
    ("cleat", ("cleat", "float-")),
    ("pad", ("pad-", "crest-", "level-", "contact-arch", "contact-idle", "contact-edge",
             "medial-edge", "drop-only", "no-shoe", "load-", "by-hand-arch", "by-hand-navicular",
             "dowels", "no-dowels")),
    ("wedge", ("wedge", "under-", "contact-less", "heel-dish", "by-hand-mth")),
    ("thickness", ("thick-", "heel-raised", "insole-")),
    ("saddle", ("saddle",)),
    ("pad", ("kit-",)),
    ("wedge", ("hand-hallux", "hand-tilt-wedge")),
)  # fmt: skip
# said by a number, a table or a step of the page itself
SHOWN = frozenset({
    "effect", "not-asked", "saddle", "saddle-differs", "under-before-riding", "under-bolts",
})  # fmt: skip
TO_DO = frozenset({"heel-dish", "no-dowels"})  # notes that ask for a hand although they do not warn

# code, what the plan's sentence looks like, what the bench reads
SHORT = tuple(
    (code, re.compile(pattern), words)
    for code, pattern, words in (
        ("fit-",
         r"shoe: (.+?) tight: ([+−]?[\d.]+) ± ([\d.]+) mm.*wanted (−?[\d.]+) to.*a close call",
         "{room}, try on"),
        ("fit-", r"shoe: (.+?) tight: ([+−]?[\d.]+) ± ([\d.]+) mm.*wanted (−?[\d.]+)", "{room}"),
        ("cleat-reach", r"end ([\d.]+) mm before the wished place.*: ([\d.]+ mm \w+)",
         "Slots end {0} mm before the wished place; {1} the joint is as far as they go"),
        ("pad-humps", r"humps, (.+?) high", "Humps {0}: feel rims, or cut between"),
        ("crest-off-apex", r"lies (\d+) mm (\w+ ?\w*) the arch apex", "Crest {0} mm {1} the arch"
         " apex: ask about it"),
        ("contact-arch-standing", r"take a step of support back", "Model, standing: presses;"
         " plan one step less support before making"),
        ("contact-arch-pedalling", r"take a step of support back", "Model, pedalling: presses;"
         " plan one step less support before making"),
        ("contact-idle", r"hardly comes down to it", "Model: arch hardly reaches the"
         " pad; ask if felt"),
        ("contact-less-", r"^(\w+): .* from (\d+) to (\d+) cm²", "Model, {0}: contact {1} → {2}"
         " cm²; if not even, one step of wedge back"),
        ("drop-only", r"only the drop", "Bed known by its drop only: measure its five heights"),
        ("no-shoe", r"bed not measured", "Bed not measured: for a trial only"),
        ("level-capped", r"(\d+ %) was wished", "Filled less than wished ({0}): bed not measured"),
        ("level-presses", r"at (\d+ %)", "At {0} it presses against the standing arch"),
        ("medial-edge", r"stands up to ([\d.]+) mm", "Edge stands {0} mm high: only against the"
         " shoe's wall; collar and ankle clear it by 5 mm"),
        ("wedge-first-ray", r"medial forefoot wedge", "☐ <b>First ray checked</b>: no pain, not"
         " stiff or prominent"),
        ("wedge.", r"is ([\d.]+)(°| mm of rise), above ([\d.]+)", "{0}{1}, above {2}: plan the step"
         " below too and start with it"),
        ("wedge-first-trial", r"([\d.]+°) of wedge", "{0} in all: much for a first trial"),
        ("wedge-twist", r"differ by ([\d.]+°)", "Heel and forefoot differ by {0}: the foot is"
         " twisted"),
        ("wedge-no-shoe", r"no shoe file", "Shoe's own cant not known: measure it first"),
        ("wedge-landmarks", r"check them by hand", "Feel both outer metatarsal heads: the scan does"
         " not place them well enough"),
        ("heel-dish", r"dished by ([\d.]+) mm", "Bed dished {0} mm: base and shim may not rock,"
         " else fill the dish"),
        ("under-material", r"Shore D (\d+)", "Solid plastic from Shore D {0}, 100 % infill, or"
         " metal; never PLA, EVA, cork"),
        ("under-faces", r"gap above ([\d.]+) mm", "Both faces flat: bed it to the sole, gaps up to"
         " {0} mm; tread may not hold the cleat off the pedal"),
        ("under-washers", r"washers", "Angled washers under the bolt heads"),
        ("thick-", r"^([\d.]+) mm thicker .* little-toe side of the (\w+)", "Little-toe side of the"
         " {1}: {0} mm thicker than the old insole; check the room"),
        ("thick-", r"^([\d.]+) mm thicker .* big-toe side of the (\w+)", "Big-toe side of the"
         " {1}: {0} mm thicker than the old insole; check the room"),
        ("heel-raised", r"sits ([\d.]+) mm higher", "Heel {0} mm higher: it may slip"),
        ("own-limits", r"limits of the workshop", "Planned with limits of the workshop's own: read"
         " them on the plan page"),
    )
)  # fmt: skip


def row_of(code: str) -> str:
    """Return the row of the bench page that a note of that code belongs to."""
    return next((row for row, starts in ROWS if code.startswith(starts)), "mind")


def warnings(foot: FootPlan, row: str) -> list[str]:
    """Return the warnings of one row for one foot, as markup."""
    return [
        bench_words(note)
        for note in foot.notes
        if _acted_on(note) and row_of(note.code) == row
    ]  # fmt: skip


def plan_warnings(plan: Plan) -> list[str]:
    """Return the warnings that concern both feet, as markup; pain has its own place."""
    return [
        bench_words(note)
        for note in plan.notes
        if _acted_on(note) and note.code not in ("riding-pain", "stop-cleared", "same-day-care")
    ]  # fmt: skip


def bench_words(note: Note) -> str:
    """Return a note in bench wording, as markup."""
    from xml.sax.saxutils import escape

    text = noted(note)
    for code, pattern, wording in SHORT:
        found = pattern.search(text) if note.code.startswith(code) else None
        if found is not None:
            return wording.format(*map(escape, found.groups()), room=_room(code, found))
    return escape(capital(text))


def _acted_on(note: Note) -> bool:
    graver = note.level is not NoteLevel.INFO or note.code in TO_DO
    return graver and note.code not in SHOWN


def _room(code: str, found: re.Match[str]) -> str:
    """Return how much a shoe is too tight where: what is wanted at least less what is there."""
    if code != "fit-":
        return ""
    station, room, sd, least = found.groups()
    short = float(least.replace("−", "-")) - float(room.replace("−", "-"))
    return f"<b>{capital(station)} tight</b>: {short:.1f} ± {sd} mm short"
