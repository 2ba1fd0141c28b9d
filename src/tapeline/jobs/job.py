"""What a job declares: what it depends on, reads and writes, and the number that stands for its code."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapeline.campaign.digest import digest_of
from tapeline.campaign.plan import Plan

Files = Callable[[Plan, str], Sequence[Path]]
"""Files of the results, by the name of a run or session, empty for a job of the whole campaign."""

Per = Literal["session", "measured session", "run", "campaign"]


def _none(plan: Plan, key: str) -> tuple[()]:
    return ()


@dataclass(frozen=True)
class Job:
    """A rule of the workflow.

    `per` says for what there is one of it, `does` what it does. `version` is raised whenever its code gives other bytes
    for the same needs: code edits are not seen by the workflow. `needs` is all that its results depend on beside its
    code: campaign rows and settings, as plain values.

    `inputs` are results of other jobs, `sources` recordings and sheets that are there, relative to the campaign folder.
    `outputs` are the results that stay, tables first; `also_there` those of which only the job knows how many.
    The module `run` beside the declaration does the work: only the process that does it imports that.
    """

    name: str
    per: Per
    does: str
    version: int
    needs: Callable[[Plan, str], object]
    outputs: Files
    inputs: Files = _none
    sources: Callable[[Plan, str], tuple[str, ...]] = _none
    also_there: Files = _none

    def keys(self, plan: Plan) -> tuple[str, ...]:
        """For what there is one of it: names of runs or sessions, or one empty name."""
        by_kind = {
            "session": plan.sessions,
            "measured session": plan.measured_sessions,
            "run": plan.recordings,
            "campaign": ("",),
        }
        return by_kind[self.per]

    def digest(self, plan: Plan, key: str = "") -> str:
        """The digest of all that its results depend on."""
        known = plan.digests
        if (self.name, key) not in known:
            known[self.name, key] = digest_of(self.name, self.version, self.needs(plan, key), plan.shared_digests)
        return known[self.name, key]

    def all_outputs(self, plan: Plan) -> list[Path]:
        """The outputs for all keys."""
        return [path for key in self.keys(plan) for path in self.outputs(plan, key)]

    def run(self, plan: Plan, key: str = "") -> None:
        """Do the work."""
        module = importlib.import_module(f"tapeline.jobs.{self.name}.run")
        module.run(plan, *([key] if key else []))
