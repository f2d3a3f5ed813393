"""What is shown of a plan: short on the screen, whole when asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from insole.cli.typed import noted

if TYPE_CHECKING:
    from insole.record.plan import FootPlan, Plan
    from insole.record.planned_contact import ContactCase, ContactFigures, ContactPlan
    from insole.record.planned_parts import PadPlan

__all__ = ["next_step", "plan", "whole_plan"]


def plan(record: Plan, then: str = "") -> str:
    """Return a plan in twenty lines at most, with the next step in words."""
    from insole.output.brief import brief

    return "\n".join(brief(record, then, "--full, and on paper"))


def next_step(plan: Plan, path: str, below: str = "") -> str:
    """Return what comes after planning: ask what was not asked, else make.

    Parameters
    ----------
    plan : Plan
    path : str
        Of the plan record.
    below : str
        The command that plans a wedge a step less, where this one is more than a first ride takes.
    """
    from insole.record.questions import QUESTIONS

    stops = [q.id for q in QUESTIONS if q.grade == "stop"]
    if any(plan.answers.get(name, "not asked") == "not asked" for name in stops):
        return (
            "ask the questions before parts (solewright questions --ask --out answers.toml) and "
            "plan again with --answers answers.toml"
        )
    if below:
        return f"a step less for the first ride: {below} (as it is: solewright make {path})"
    return f"solewright make {path}"


def whole_plan(record: Plan) -> str:
    """Return all that a plan says: what is made for each foot, notes, caution."""
    shoe = record.shoe_name or "no shoe: flat bed, for trial only"
    rows = [f"Plan {record.case} v{record.version} – {shoe}"]
    for foot in record.feet:
        rows += ["", *_foot(foot)]
    if record.notes:
        rows += ["", *(f"{note.level.value}: {noted(note)}" for note in record.notes)]
    from insole.record.questions import SHORT_CAUTION

    return "\n".join([*rows, "", SHORT_CAUTION])


def _filled(pad: PadPlan) -> str:
    """Return how much of the gap a pad fills at its crest, in words."""
    gap = pad.gap_at_crest
    if not gap.value:
        return "how much it fills is not known"
    share = 100 * pad.crest.height / gap.value
    return f"fills {share:.0f} % of {gap.value:.1f} ± {gap.sd or 0:.1f} mm at its crest"


def _foot(foot: FootPlan) -> list[str]:
    """Return one foot's plan as rows."""
    from insole.output.phrases import change
    from insole.planning.thickness import asked, cant_known

    rows = [f"{foot.side.upper()} foot ({foot.scan_file}, {foot.verdict})"]
    if foot.contour is not None:
        made = foot.contour
        rows.append(
            f"  {made.name}: {made.crest.height:.1f} mm thick at the crest, "
            f"{made.crest.from_rear:.0f} mm from the rear edge, {made.crest.from_medial:.0f} mm "
            f"from the medial edge; heel cup {made.cup:g} mm, plate {made.plate:g} mm"
        )
        rows += [f"    built in {wedge.place.value}: {wedge.words}" for wedge in made.posting]
    elif foot.pad is not None:
        crest = foot.pad.crest
        rows.append(
            f"  arch pad: crest {crest.height:.1f} mm high, {crest.from_rear:.0f} mm from the "
            f"base's rear edge, {crest.from_medial:.0f} mm from its medial edge; wished to fill "
            f"{100 * foot.pad.support_level:.0f} % of the gap, {_filled(foot.pad)}"
        )
        rows += [f"    decided by {reason}" for reason in foot.pad.binding]
    else:
        rows.append(f"  no arch pad: {foot.no_pad_because}")
    if foot.metatarsal is not None:
        dome = foot.metatarsal
        rows.append(
            f"  metatarsal pad: {dome.height:.1f} mm high, crest {dome.crest.from_rear:.0f} mm "
            f"from the base's rear edge, {dome.crest.from_medial:.0f} mm from its medial edge, "
            f"{dome.behind:g} mm behind heads 2 to 4"
        )
    for wedge in foot.wedges:
        rows.append(
            f"  {asked(wedge, cant_known=cant_known(foot, wedge))}, thick on the "
            f"{wedge.thick_side}, {wedge.thick_edge:.1f} mm at the thick edge"
        )
    rows += [
        f"  no wedge {place}: {why}"
        for place, why in foot.no_wedge_because.items()
        if not why.startswith("no wish")  # what nobody wished is no news
    ]
    if foot.saddle_change is not None and foot.saddle_change.value is not None:
        rows.append(f"  saddle: {change(foot.saddle_change.value, foot.saddle_change.sd)}")
    if foot.contact is not None:
        rows += _contact(foot.contact)
    rows += [f"  {note.level.value}: {noted(note)}" for note in foot.notes]
    return rows


def _contact(contact: ContactPlan) -> list[str]:
    """Return how the sole rests without and with the parts, as rows."""
    mass = contact.body_mass
    rows = [
        f"  contact in a spring model, without -> with the parts (body mass {mass.value:g} kg, "
        f"{mass.reason}); compares beds, no clinical figure"
    ]
    for case in contact.cases:
        rows += _contact_case(case)
    return rows


def _lean(before: ContactFigures, after: ContactFigures) -> str:
    """Return how the sole tips on its bed until it balances, in words."""
    words = []
    for k, names in enumerate((("toes up", "toes down"), ("medial side up", "medial side down"))):
        was, now = before.tilt[k], after.tilt[k]
        words.append(f"{abs(was):.1f}° {names[was < 0]} -> {abs(now):.1f}° {names[now < 0]}")
    return "the free sole tips until it balances: " + ", ".join(words)


def _contact_case(case: ContactCase) -> list[str]:
    before, after = case.before, case.after
    if before is None or after is None:
        return [f"    {case.case}, {case.load:.0f} N: no figures, {case.reason}"]
    held = "" if case.ankle is None else f", sole held at {case.ankle:+g}°"
    parts = ", ".join(
        f"{name} {100 * before.share[name]:.0f} -> {100 * value:.0f} % "
        f"({before.peak[name]:.0f} -> {after.peak[name]:.0f})"
        for name, value in after.share.items()
    )
    return [
        f"    {case.case}, {case.load:.0f} N{held}: area {before.area:.0f} -> {after.area:.0f} cm²",
        f"      share of the load (peak, kPa): {parts}",
        *([f"      {_lean(before, after)}"] if case.ankle is None else []),
        *(f"      {note}" for note in case.notes),
    ]
