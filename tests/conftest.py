"""What all tests share: one thread a process for matrices of a hundred rows, as in the command."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
