"""`tapeline completion`: print the lines by which a shell completes commands, options and files."""

from __future__ import annotations

import argparse
from itertools import chain
from pathlib import Path

from tapeline.cli.argument_types import file_to_write

NAME = "completion"
HELP = "print what bash, zsh or fish needs to complete commands, options and files"

SHELLS = ("bash", "zsh", "fish")

INSTALLED = """Where each shell looks:
  bash  tapeline completion bash > ~/.local/share/bash-completion/completions/tapeline
  zsh   tapeline completion zsh > DIR/_tapeline, with DIR in $fpath before compinit
  fish  tapeline completion fish > ~/.config/fish/completions/tapeline.fish

Example: tapeline completion bash"""


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Prints a shell's lines for completing what follows `tapeline`, made from the commands themselves.",
        epilog=INSTALLED,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("shell", metavar="SHELL", choices=SHELLS, help=", ".join(SHELLS))
    parser.set_defaults(action=_completion)


def _completion(options: argparse.Namespace) -> int:
    import shtab

    from tapeline.cli import COMMANDS, command_parser

    parser = command_parser()
    for module in chain.from_iterable(COMMANDS.values()):
        # Shells show it beside the name.
        parser.commands()[module.NAME].description = module.HELP
    for each in (parser, *parser.commands().values()):
        for action in each._actions:
            if isinstance(action, argparse._SubParsersAction):
                # What has no help is taken for hidden; here commands are listed elsewhere in it.
                action.help = ""
            elif action.dest.startswith("campaign"):
                action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
            elif action.type in (Path, file_to_write):
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    print(shtab.complete(parser, options.shell))
    return 0
