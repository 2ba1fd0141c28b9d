"""`tapeline new`: begin a campaign folder, filled in as far as recordings say."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapeline.cli.run_lines import TextLines
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS

if TYPE_CHECKING:
    from tapeline.campaign.faults import Fault
    from tapeline.new_campaign.proposal import Proposal

NAME = "new"
HELP = "begin a campaign folder, filled in as far as recordings say"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Writes settings and tables with comments into a new or empty folder. With --from it fills in what "
        "the recordings say and proposes what follows from it. What is left to you is marked ???; `tapeline check` "
        "names each place. Status 2: nothing was written; 0: the folder is begun.",
        epilog="Example: tapeline new my-campaign --from recordings",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the folder to begin; new, or empty")
    parser.add_argument("--from", dest="recordings", metavar="RECORDINGS", type=Path, help="folder of the recordings")
    parser.add_argument(
        "--with",
        dest="also",
        action="append",
        default=[],
        choices=["cavities", "overrides", "left_out"],
        help="begin this optional table too; may be repeated",
    )
    parser.add_argument("--json", action="store_true", help="print what was found and proposed as JSON")
    parser.set_defaults(action=_new)


def _new(options: argparse.Namespace) -> int:
    from tapeline.new_campaign.begun_folder import begin
    from tapeline.new_campaign.refusal import RefusedError
    from tapeline.unwritable import sentence

    lines = TextLines()
    try:
        proposed, gaps = begin(options.folder, options.recordings, dict.fromkeys(options.also), lines.progress)
    except RefusedError as error:
        print(f"tapeline new: {error}", file=sys.stderr)
        return EXIT_FAULTS
    except OSError as error:
        print(f"tapeline new: {sentence(error, options.folder)}", file=sys.stderr)
        return EXIT_FAILED
    finally:
        lines.close()
    for file in proposed.left_out:
        print(f"left out: {file.sentence}", file=sys.stderr)
    for note in proposed.notes:
        print(f"note: {note}", file=sys.stderr)
    if options.json:
        print(json.dumps(_values(options.folder, proposed, gaps), indent=1))
    else:
        print("\n".join(_lines(options.folder, proposed, gaps)))
    return 0


def _lines(folder: Path, proposed: Proposal, gaps: tuple[Fault, ...]) -> list[str]:
    """What was found, in a few lines."""
    from tapeline.report.wording import counted

    shown = str(folder).encode(errors="backslashreplace").decode()
    lines = [f"{shown}: {counted(len(proposed.runs), 'recording')}, {counted(len(proposed.sessions), 'session')}"]
    for file, tone in proposed.tones.items():
        channels = " ".join(map(str, tone.channels))
        lines.append(f"  {file}: calibrator of {tone.frequency_hz:g} Hz on channels {channels} in this order")
    by_name = sum("proposed" in run["remark"] for run in proposed.runs)
    if by_name:
        words = f"kind, condition or speed of {counted(by_name, 'run')} proposed from the files' names"
        lines.append(f"  {words}: see the column remark of runs.csv")
    if proposed.conditions:
        lines.append(f"  conditions proposed from the files' names: {', '.join(proposed.conditions)}")
    lines.append(f"{counted(len(gaps), 'gap')} to fill in: `tapeline check {shown}` names each")
    return lines


def _values(folder: Path, proposed: Proposal, gaps: tuple[Fault, ...]) -> dict[str, Any]:
    """What was found and proposed, for machines."""
    return {
        "folder": str(folder),
        "recordings": [
            {
                "file": one.file,
                "kind": one.kind,
                "channels": one.channels,
                "sample_rate_hz": one.sample_rate_hz,
                "length_s": one.length_s,
                "calibrator_hz": tone.frequency_hz if (tone := proposed.tones.get(one.file)) else None,
                "calibrated_channels": list(tone.channels) if tone else None,
                "run": {name: value for name, value in run.items() if value},
            }
            for one, run in zip(proposed.recordings, proposed.runs, strict=True)
        ],
        "sessions": {name: list(files) for name, files in proposed.sessions.items()},
        "conditions": list(proposed.conditions),
        "raw_formats": proposed.formats,
        "fittings": list(proposed.fittings),
        "calibrators": list(proposed.calibrators),
        "left_out": [{"file": one.file, "sentence": one.sentence} for one in proposed.left_out],
        "notes": list(proposed.notes),
        "gaps": [{"file": gap.file, "line": gap.line, "column": gap.column, "expected": gap.expected} for gap in gaps],
    }
