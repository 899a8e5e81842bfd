"""Memory that was freed, handed back to the operating system.

The C library of Linux keeps freed blocks for the next ones of their size. The columns of a long run's causes are small
enough to be kept and those of its tables are not, so that the tables would come on top of hundreds of megabytes that
nobody uses any more.
"""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Hand freed memory back; where the C library cannot be asked to, nothing happens."""
    if sys.platform != "linux":
        return
    # glibc's malloc_trim(3); other C libraries have none.
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
