"""One arithmetic for all who run the tests: import this before any library that calculates.

OpenBLAS has other sums for processors with AVX-512 than for those with AVX2; the last places of a
sum decide now and then whether a cell at a pad's border counts. What is approved was written with
the sums for AVX2; processors without it agree within the tolerances.
"""

import os
from pathlib import Path

INFO = Path("/proc/cpuinfo")

if INFO.exists() and " avx2 " in INFO.read_text(encoding="utf-8", errors="replace"):
    os.environ.setdefault("OPENBLAS_CORETYPE", "Haswell")
