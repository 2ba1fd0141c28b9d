"""The `tapeline` command as a person calls it, in a folder watched for whatever lands beside the campaign."""

from __future__ import annotations

import hashlib
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from test_campaign_odd_files import bound_by_permissions

TAPELINE = Path(sys.executable).parent / "tapeline"
PATIENCE_S = 300.0
"""After this a command counts as one that does not end (own choice): an undisturbed run takes some ten seconds."""

MOST_FILE_BYTES = 1_000_000_000
"""Larger files are told apart by their size: a fault can be a file without an end."""

During = Callable[["Place", "subprocess.Popen[str]"], None]


@dataclass(frozen=True)
class Said:
    """How a command ended and what it printed, standard error first; `status` is None where it did not end."""

    status: int | None
    text: str

    def first(self, pattern: str) -> str:
        """The first line in which `pattern` is found; with an empty one the last line of all."""
        lines = [line for line in self.text.splitlines() if line.strip()]
        return next(filter(partial(re.search, pattern), lines), "") if pattern else "".join(lines[-1:])


@dataclass(frozen=True)
class Place:
    """A folder with a campaign, and beside it where the command is called, its temporary files and what is foreign."""

    root: Path
    name: str = "campaign"
    environment: Mapping[str, str] = field(default_factory=dict)

    @property
    def campaign(self) -> Path:
        return self.root / self.name

    @property
    def results(self) -> Path:
        return self.campaign / "results"

    @property
    def foreign(self) -> Path:
        """A folder that no command may write to."""
        return self.root / "foreign"

    def not_made(self) -> dict[str, str]:
        """What tapeline may not write to, the campaign's files and all that lies beside it: name to content."""
        made = [self.results, self.campaign / ".snakemake"]
        return {
            path.relative_to(self.root).as_posix(): _mark(path)
            for path in sorted(self.root.rglob("*"))
            if not any(map(path.is_relative_to, made))
        }

    def start(self, *arguments: str, bound: bool = False) -> subprocess.Popen[str]:
        """Start the command in a session of its own."""
        for folder in ("here", "temporary", "foreign"):
            (self.root / folder).mkdir(exist_ok=True)
        return subprocess.Popen(
            [str(TAPELINE), *arguments],
            cwd=self.root / "here",
            env={**os.environ, "TMPDIR": str(self.root / "temporary"), **self.environment},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            errors="backslashreplace",
            start_new_session=True,
            preexec_fn=_bound if bound and os.geteuid() == 0 else _listening,  # noqa: PLW1509
        )

    def call(self, *arguments: str, bound: bool = False, during: During | None = None) -> Said:
        """Call the command to its end; `during` is done meanwhile, in a thread of its own; what it raises is."""
        process = self.start(*arguments, bound=bound)
        with ThreadPoolExecutor(1) as pool:
            doing = pool.submit(during, self, process) if during else None
            try:
                output, errors = process.communicate(timeout=PATIENCE_S)
                status: int | None = process.returncode
            except subprocess.TimeoutExpired:
                kill_session(process.pid)
                output, errors = process.communicate()
                status = None
            if doing:
                doing.result()
        return Said(status, self.hidden(f"{errors}\n{output}"))

    def hidden(self, text: str) -> str:
        """A text without what differs from one call to the next: this folder's path, numbers of processes."""
        for path in (str(self.campaign), os.path.relpath(self.campaign, self.root / "here")):
            text = text.replace(path, "CAMPAIGN")
        return re.sub(r"\bprocess \d+\b", "process N", text.replace(str(self.root), "ELSEWHERE"))


def kill_session(session: int) -> None:
    """SIGKILL to all processes of a session, at once."""
    for path in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            words = (path / "stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
            if int(words[3]) == session and words[0] != "Z":
                os.kill(int(path.name), signal.SIGKILL)


def _mark(path: Path) -> str:
    """A file's content as a hash, what is no regular file by its kind."""
    if path.is_symlink():
        return f"link to {path.readlink()}"
    if path.is_dir():
        return "folder"
    if not path.is_file():
        return "another kind"
    if path.stat().st_size > MOST_FILE_BYTES:
        return f"{path.stat().st_size} bytes"
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _listening() -> None:
    """As in a terminal: what runs in the background is started deaf to some of these."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def _bound() -> None:
    _listening()
    bound_by_permissions()
