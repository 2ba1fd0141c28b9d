"""What an argument of the command may be."""

from __future__ import annotations

import argparse
from pathlib import Path


def not_negative(text: str) -> float:
    """A number from 0. Raises argparse.ArgumentTypeError for anything else."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} found, a number from 0 expected, such as 0.05")
    return value


def from_one(text: str) -> int:
    """A whole number from 1. Raises argparse.ArgumentTypeError for anything else."""
    if not (text.isascii() and text.isdigit() and int(text)):
        raise argparse.ArgumentTypeError(f"{text!r} found, a whole number from 1 expected")
    return int(text)


def cores(text: str) -> str:
    """How many cores, or "all". Raises argparse.ArgumentTypeError for anything else."""
    if text != "all" and not (text.isascii() and text.isdigit() and int(text)):
        raise argparse.ArgumentTypeError(f"{text!r} found, a whole number from 1 or all expected")
    return text


def file_to_write(text: str) -> Path:
    """The name of a file that may be written. Raises argparse.ArgumentTypeError for anything else."""
    if not text:
        raise argparse.ArgumentTypeError("the name of a file expected, none found")
    if Path(text).is_dir():
        raise argparse.ArgumentTypeError(f"{text} is a folder, the name of a file expected, such as cells.csv")
    return Path(text)
