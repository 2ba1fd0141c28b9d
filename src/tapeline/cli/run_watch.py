"""Hearing a run: what its steps tell becomes lines, what the workflow manager prints goes to a log."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

from tapeline.campaign.plan import Plan
from tapeline.cli.readable_path import readable
from tapeline.cli.run_lines import RunLines
from tapeline.cli.run_progress import Progress
from tapeline.cli.run_verdicts import run_said, sensitivities_said, verdicts_said
from tapeline.file_stamps import stamp_of
from tapeline.jobs.tasks import Task
from tapeline.report.wording import counted
from tapeline.step_events import Event
from tapeline.store.file_records import NotAsWrittenError

WORKFLOW_LOG = Path("logs", "workflow.log")
"""Below the results: what the workflow manager prints."""

TICK_S = 0.5
"""Least seconds between two looks at how far a run is: a large campaign has many jobs to count."""

LAST_LINES = 6
"""Lines of the workflow manager that are shown where it fails without a step that failed."""

DONE_WORDS = {
    "tables": "{key}  levels written",
    "findings": "comparisons, speed, tones, repeatability, manifest and report written",
    "pressure": "{key}  time signals written",
}
"""What is said at the end of a step whose jobs have no words of their own."""


class RunWatch:
    """Listens to the workflow manager on behalf of a run (`workflow.Listener`)."""

    def __init__(
        self,
        plan: Plan,
        planned: Iterable[Task],
        lines: RunLines,
        *,
        cores: int,
        log: Path | None,
        takes_output: bool = True,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.takes_output = takes_output
        self.failed = 0
        self.lines = lines
        self._plan, self._clock = plan, clock
        root = plan.campaign.root
        sizes = {
            (task.job.name, task.key): sum(stamp.size for name in task.sources if (stamp := stamp_of(root / name)))
            for task in planned
        }
        self._progress = Progress(sizes, cores)
        self._ticked = -TICK_S
        self._open: dict[tuple[str, str], bool] = {}
        self._last: deque[str] = deque(maxlen=LAST_LINES)
        self._log = log
        if log is not None:
            with suppress(OSError):
                log.parent.mkdir(parents=True, exist_ok=True)
                log.write_bytes(b"")

    def event(self, event: Event) -> None:
        """Print what a step tells."""
        kind, key = event["event"], str(event.get("key", ""))
        step = str(event.get("step", ""))
        if kind == "started":
            self._open[step, key] = False
        elif kind == "task":
            due = bool(event["due"])
            # Of a step that only looked nothing is said.
            self._open[step, key] = self._open.get((step, key), False) or due
            self._task(str(event["job"]), str(event["job_key"]), due=due, seconds=float(str(event["seconds"])))
        elif kind == "failed":
            self._open.pop((step, key), None)
            self._fail(step, key, str(event["task"]), str(event["reason"]))
        elif kind == "ended" and self._open.pop((step, key), False) and step in DONE_WORDS and event["status"] == 0:
            self.lines.say("step", DONE_WORDS[step].format(key=key), step=step, key=key)
        self.tick()

    def text(self, content: bytes) -> None:
        """Keep what the manager prints: in its log, which a full disk may refuse, and its last lines."""
        # Times and usage stand in brackets.
        lines = (line for line in content.decode(errors="replace").splitlines() if not line.lstrip().startswith("["))
        self._last.extend(filter(str.strip, lines))
        if self._log is not None:
            with suppress(OSError), self._log.open("ab") as stream:
                stream.write(content)

    def tick(self) -> None:
        """Show how far the run is."""
        now = self._clock()
        if self._progress.planned and now - self._ticked >= TICK_S:
            self._ticked = now
            left = self._progress.left_s(now)
            self.lines.progress(
                self._progress.text(now),
                done=len(self._progress.done),
                jobs=self._progress.total,
                left_s=None if left is None else round(left[0], 1),
            )

    def end(self, status: int) -> None:
        """Say why the manager ended with a status other than 0, where no step has said it."""
        for step, key in self._open if status else ():
            why = "ended without a word: it was killed, maybe for want of memory"
            self._fail(step, key, "", f"{why}; free memory or run with fewer --cores")
        self._open.clear()
        if status and self.failed:
            many = f"{counted(self.failed, 'step')} failed; what follows from {'it' if self.failed == 1 else 'them'}"
            said = f"tapeline run: {many} is not computed: mend it, then `tapeline run` goes on from there"
            self.lines.say("incomplete", said, failed=self.failed)
        elif status:
            shown = "".join(f"\n      {line}" for line in self._last)
            where = f"\n      log: {readable(self._log)}" if self._log else ""
            self.lines.say("manager-failed", f"failed: the workflow manager stopped, its last lines:{shown}{where}")

    def _task(self, job: str, key: str, *, due: bool, seconds: float) -> None:
        self._progress.task(job, key, due=due, seconds=seconds, now_s=self._clock())
        if not due:
            return
        with suppress(NotAsWrittenError, OSError):
            if job == "spectra":
                self._say("run", *run_said(self._plan, key))
            elif job == "sensitivity":
                self._say("session", *sensitivities_said(self._plan, key))
            elif job == "verdicts":
                for text, values in verdicts_said(self._plan, key):
                    self._say("run", text, values)

    def _say(self, event: str, text: str, values: dict[str, Any]) -> None:
        self.lines.say(event, text, **values)

    def _fail(self, step: str, key: str, task: str, reason: str) -> None:
        self.failed += 1
        name = f"{step} {key}".rstrip()
        at = f"{task} (step {name})" if task and task != name else f"step {name}"
        log = self._plan.results / "logs" / (f"{step}/{key}.log" if key else f"{step}.log")
        text = f"failed: {at}: {reason}\n      log: {readable(log)}"
        self.lines.say("failed", text, step=step, key=key, task=task, reason=reason, log=str(log))
