"""Kickwheel: folders of turntable photos in, a static site of product spins out."""

import os

__version__ = "0.1.0"

# Before numpy is loaded, which reads these then: with several threads linear algebra adds up in another order, so
# results would hang on the number of cores; and its threads wait by spinning, at the cost of the processes beside.
os.environ |= dict.fromkeys(
    ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1"
)
