"""Exit statuses of the command, and how what was found is printed."""

from __future__ import annotations

import os
import sys
from pathlib import Path

EXIT_FAILED = 1
"""A job failed."""

EXIT_FAULTS = 2
"""The campaign's files hold faults and nothing ran."""

EXIT_LEFT_OUT = 3
"""Done, but recordings were left out."""

EXIT_MOVED = 4
"""Results moved, or are not as they were written."""


def not_written(command: str, path: Path, error: OSError) -> int:
    said = error.strerror or str(error)
    print(f"tapeline {command}: {path}: cannot be written ({said}); name another file with --csv", file=sys.stderr)
    return EXIT_FAULTS


def print_found(text: str) -> None:
    """Print what was found; a reader who has seen enough and closed the pipe does not change the status."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        # What is still held back would raise once more when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
