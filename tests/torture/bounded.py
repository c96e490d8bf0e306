"""A bound on the memory a request may take: without one the machine stands still, and nobody learns of which."""

from __future__ import annotations

import resource
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

SPARE = 6 << 30  # bytes of address space above what is held when the test begins


def bound_now() -> int:
    """The address space this process may take from now on, in bytes."""
    held = Path("/proc/self/statm").read_text().split()[0] if sys.platform == "linux" else "0"
    return int(held) * resource.getpagesize() + SPARE


@contextmanager
def bounded(bound: int) -> Iterator[None]:
    """Have what asks for more end in a MemoryError, or with the process: the machine goes on either way.

    Native code may crash where it gets no memory. For requests alone, as what makes them up is sure to.
    """
    if sys.platform != "linux":
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    within = bound if before[0] == resource.RLIM_INFINITY else min(bound, before[0])
    resource.setrlimit(resource.RLIMIT_AS, (within, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)
