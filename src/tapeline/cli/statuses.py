"""Exit statuses of the command; 0: all is well; 128 and the number of a signal that stopped it (`stopping.py`)."""

from __future__ import annotations

EXIT_FAILED = 1
"""A job failed."""

EXIT_FAULTS = 2
"""The campaign's files hold faults and nothing ran."""

EXIT_LEFT_OUT = 3
"""Done, but recordings were left out."""

EXIT_MOVED = 4
"""Results moved, or are not as they were written."""
