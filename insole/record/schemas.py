"""What each schema of a plan added: the one place that knows of older ones.

    JSON of an older plan -> Plan (defaults stand for what it had not) -> as_then -> the same JSON

A plan is written back as it was read, so that its fingerprint, by which trials know it, stays. A
new field has a default and its path here, under the schema that brings it.
"""

from __future__ import annotations

from typing import Any

__all__ = ["ADDED", "as_then"]

# by schema, paths in the record: "feet" is both of them, "*" every entry of a list or mapping
ADDED: dict[int, tuple[str, ...]] = {
    2: ("feet.contact", "feet.wedges.*.contour_step"),
    3: (
        "sources",
        "limits",
        "feet.sole",
        "feet.base.dowels",
        "feet.pad.medial_edge",
        "feet.cleat.mark",
        "feet.cleat.from_mark",
        "feet.cleat.back",
        "feet.thickness.*.medial",
        "feet.thickness.*.lateral",
        "feet.contact.cases.*.before_map",
        "feet.contact.cases.*.after_map",
    ),
    4: (
        "feet.contour",
        "feet.effect",
        "feet.contact.cases.*.before.areas",
        "feet.contact.cases.*.after.areas",
        "feet.pad.medial_height",
        "feet.pad.rim_radius",
        "feet.pad.snug",
        "feet.pad.crest.y",
    ),
}


def as_then(record: dict[str, Any], schema: int) -> None:
    """Take out of a plan's record what its schema had not, in place."""
    for version, paths in ADDED.items():
        if schema < version:
            for path in paths:
                _drop(record, path.split("."))


def _drop(holder: Any, keys: list[str]) -> None:
    """Take away what a path leads to; what is not there has nothing below it."""
    key, rest = keys[0], keys[1:]
    if not holder:
        return
    if key == "feet":
        for side in ("left", "right"):
            _drop(holder.get(side), rest)
    elif key == "*":
        for one in holder.values() if isinstance(holder, dict) else holder:
            _drop(one, rest)
    elif rest:
        _drop(holder.get(key), rest)
    else:
        holder.pop(key, None)
