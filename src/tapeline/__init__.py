"""tapeline: surface-microphone recordings to calibrated, comparable levels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable
    from os import PathLike

    from tapeline.analysis.notebook import Results
    from tapeline.analysis.results_folders import ResultsError as ResultsError

__version__ = "0.1.0"
__all__ = ["ResultsError", "__version__", "open"]


def open(results: str | PathLike[str] | Iterable[str | PathLike[str]]) -> Results:
    """Finished results as tables of pandas: of one folder or of several, results folders or campaign folders.

    What is a bound, or cannot be used, stands in no column of values: the cell is empty, and `given` says what is
    known instead. Raises ResultsError, with one sentence, where there are no results, where they are half made or of
    another version.

    >>> import tapeline
    >>> results = tapeline.open("results")
    >>> results
    Results of van-roof-seam: 30 tables
    >>> results.levels["given"].value_counts().to_dict()
    {'value': 2536, 'bound': 485, 'nothing': 19}
    """
    from tapeline.analysis.notebook import open_results

    return open_results(results)


def __getattr__(name: str) -> Any:
    # Nothing heavy is imported before results are opened.
    if name == "ResultsError":
        from tapeline.analysis.results_folders import ResultsError

        return ResultsError
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
