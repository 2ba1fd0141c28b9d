"""Keeping the library of data frames out of a command."""

from __future__ import annotations

import sys


class NoDataFrames:
    """Lets the import of pandas fail: the table library loads it at its first conversion where it can.

    That takes 50 MB and a third of a second, and no command has a use for it.
    """

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Refuse one name, know no other; see importlib.abc.MetaPathFinder."""
        if name == "pandas":
            raise ModuleNotFoundError("no command uses pandas", name=name)


def keep_data_frames_out() -> None:
    """Let imports of pandas fail from now on in this process."""
    if not any(isinstance(finder, NoDataFrames) for finder in sys.meta_path):
        sys.meta_path.insert(0, NoDataFrames())
