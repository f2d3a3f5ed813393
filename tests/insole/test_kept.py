"""What is told of a record is worked out once, and of each record by itself."""

from __future__ import annotations

from insole.record.kept import kept
from insole.record.values import Record


class Named(Record):
    """A record with a name."""

    name: str


def test_a_record_is_asked_once_and_its_copy_by_itself() -> None:
    """A copy is another record, whatever it holds."""
    asked: list[str] = []

    @kept
    def loud(record: Named) -> str:
        asked.append(record.name)
        return record.name.upper()

    one = Named(name="larch")
    two = one.model_copy(update={"name": "rowan"})
    assert [loud(one), loud(two), loud(one), loud(two)] == ["LARCH", "ROWAN", "LARCH", "ROWAN"]
    assert asked == ["larch", "rowan"]


def test_what_is_told_goes_with_its_record() -> None:
    """A new record where an old one lay in memory is asked anew, however many came and went."""

    @kept
    def told(record: Named) -> str:
        return record.name

    for k in range(200):
        assert told(Named(name=str(k))) == str(k)
