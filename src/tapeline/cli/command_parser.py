"""The parser of the command line: faults in one sentence with the nearest name, and the same way to name a campaign."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NoReturn

from tapeline.campaign.faults import did_you_mean, listed, quoted
from tapeline.cli.statuses import EXIT_FAULTS

ABSENT = "the following arguments are required: "
"""How argparse begins when it misses arguments."""


class CommandParser(argparse.ArgumentParser):
    """Says what was found, what was expected and the nearest name, instead of the whole usage."""

    def error(self, message: str) -> NoReturn:
        """End with one sentence and the exit status of faults."""
        sentence = _choice_words(message.removeprefix("argument "))
        end = " See" if sentence.endswith("?") else "; see"
        self.exit(EXIT_FAULTS, f"{self.prog}: {sentence}{end} `{self.prog} --help`\n")

    def options(self) -> list[str]:
        """The long names of its options."""
        return [name for action in self._actions for name in action.option_strings if name.startswith("--")]

    def commands(self) -> dict[str, argparse.ArgumentParser]:
        """The parsers of its commands by name; none for the parser of a command."""
        found = (action.choices for action in self._actions if isinstance(action, argparse._SubParsersAction))
        return next(({**choices} for choices in found), {})

    def parsed(self, given: Sequence[str], namespace: argparse.Namespace) -> argparse.Namespace:
        """The arguments; ends with a sentence where one is not known, which names the nearest known one."""
        commands = self.commands()
        if given and not given[0].startswith("-") and given[0] not in commands:
            self.error(f"found no command {quoted(given[0])}{_or(did_you_mean(given[0], commands))}")
        options, unknown = self.parse_known_args(given, namespace)
        if unknown:
            own = commands.get(given[0], self)
            known = own.options() if isinstance(own, CommandParser) else []
            own.error(_unknown_words(unknown, known))
        _settle_campaign(options)
        return options


def _unknown_words(unknown: Sequence[str], known: Iterable[str]) -> str:
    first = unknown[0].partition("=")[0]
    if first.startswith("-"):
        return f"found no option {quoted(first)}{_or(did_you_mean(first, known))}"
    return f"found {listed(map(quoted, unknown), 4)}, expected no more arguments"


def _choice_words(message: str) -> str:
    """The parser's sentence, about a choice with the nearest one."""
    if message.startswith(ABSENT):
        absent = message.removeprefix(ABSENT)
        return f"found no {absent}, expected {'each' if ',' in absent else 'one'}"
    found = re.fullmatch(r"(?P<name>.+): invalid choice: '(?P<given>.*)' \(choose from (?P<known>.*)\)", message)
    if found is None:
        return message
    known = [name.strip("' ") for name in found["known"].split(",")]
    near = _or(did_you_mean(found["given"], known))
    return f"{found['name']}: found {quoted(found['given'])}, expected {listed(known)}{near}"


def _or(hint: str | None) -> str:
    return f"; {hint}" if hint else ""


def campaign_argument(parser: argparse.ArgumentParser, words: str = "campaign folder (default: this one)") -> None:
    """A campaign folder: the last positional argument, by default this folder; `--campaign` does the same."""
    parser.add_argument("campaign", metavar="CAMPAIGN", type=Path, nargs="?", default=Path(), help=words)
    parser.add_argument("--campaign", type=Path, dest="campaign_option", metavar="FOLDER", help=argparse.SUPPRESS)


def _settle_campaign(options: argparse.Namespace) -> None:
    """Let the option name the campaign where no argument does."""
    named = getattr(options, "campaign_option", None)
    if named is not None:
        options.campaign = named
