"""What was written, read back by readers of its own and held against the plan.

from insole import readback
readback.check(folder)
"""

from insole.readback.folder import check

__all__ = ["check"]
