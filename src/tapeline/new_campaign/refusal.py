"""Why no campaign folder is begun."""

from __future__ import annotations


class RefusedError(Exception):
    """The folder or its recordings do not allow to begin; the text is one sentence that says why and how to mend it."""
