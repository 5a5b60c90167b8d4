"""What the exit status of every command means."""

from __future__ import annotations

GO = 0  # go; for commands without a verdict: done
NOT_GO = 1  # not yet, or cannot tell
BAD_INPUT = 2  # a file or an argument is faulty; nothing was worked out
FAILED = 3  # warmhold itself failed
INTERRUPTED = 130
PIPE_CLOSED = 141
