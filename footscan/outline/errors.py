"""Why a photograph cannot be used: one sentence, and a code for whoever counts."""

from __future__ import annotations

from footscan.errors import FootscanError

__all__ = ["OutlineError"]


class OutlineError(FootscanError):
    """A photograph or its outline cannot be used; says what is wrong and what to do.

    Attributes
    ----------
    code : str
        ``not-a-photo``, ``too-large``, ``animated``, ``cut-short``, ``too-small``, ``no-sheet``,
        ``sheet-cut-off``, ``blurred``, ``wrong-paper``, ``paper-unclear``, ``not-flat``,
        ``foot-on-sheet``, ``no-outline``, ``two-outlines``, ``touches-edge``, ``open-outline``,
        ``covered``, ``not-a-foot``, ``side-unclear``, ``side-contradicted`` or ``typed``.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
