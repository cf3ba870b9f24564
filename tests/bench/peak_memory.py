"""The most memory that a process has had at once."""

from __future__ import annotations

import resource
import sys
from pathlib import Path


def peak_mb() -> float:
    """The most memory that this process has had at once [MB]. On Linux the kernel's own figure of this program:
    ``ru_maxrss`` also counts what the process that started it held before.
    """
    status = Path("/proc/self/status")
    if status.exists():
        found = [line for line in status.read_text(encoding="utf-8").splitlines() if line.startswith("VmHWM:")]
        return int(found[0].split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)
