"""One thread for the small matrices of these tests.

Threads that spin on 20 by 20 matrices make both the simulation and the commands it is compared with up to ten times slower when the
machine has other work.  Takes effect on the commands always, on this process when nothing has imported numpy before.
"""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
