"""Keeping the library of data frames out of jobs."""

from __future__ import annotations


class NoDataFrames:
    """Lets the import of pandas fail, for jobs: the table library loads it at its first conversion where it can.

    That takes 50 MB and a third of a second, and no job has a use for it.
    """

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Refuse one name, know no other; see importlib.abc.MetaPathFinder."""
        if name == "pandas":
            raise ModuleNotFoundError("no job uses pandas", name=name)
