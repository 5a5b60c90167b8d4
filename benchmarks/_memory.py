"""Most memory that a process has had. Run by itself it prints that of a bare interpreter [MiB]."""

from __future__ import annotations

import resource
import sys
from pathlib import Path


def peak_mib() -> float:
    """Most memory that this process has had [MiB]."""
    try:
        text = Path("/proc/self/status").read_text("utf-8")
    except OSError:  # what is left may count the process that started this one
        unit = 1024.0 if sys.platform != "darwin" else 1024.0**2
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    return float(text.partition("VmHWM:")[2].split()[0]) / 1024.0


if __name__ == "__main__":
    print(peak_mib())
