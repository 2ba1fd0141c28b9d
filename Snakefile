# The jobs of a campaign. Run with `tapeline run FOLDER`, or
# `snakemake --snakefile <here>/Snakefile --directory FOLDER --profile <here>/workflow/profiles/default --cores N`.
import os
import shlex
import sys
from pathlib import Path

from snakemake.utils import min_version

from tapeline.campaign.faults import CampaignFaults
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.pressure import pressure_file
from tapeline.jobs.steps import STEPS, pressure_inputs
from tapeline.unwritable import TERMINAL_VARIABLE

min_version("9.20")

# Jobs call the `tapeline` command of the environment that runs this workflow, activated or not. Descriptor 3 is the
# terminal to them: a full disk does not take their log.
shell.prefix(f"set -euo pipefail; export PATH={shlex.quote(str(Path(sys.executable).parent))}:$PATH; exec 3>&2; ")
os.environ[TERMINAL_VARIABLE] = "3"

try:
    PLAN = Plan(load_campaign(Path()))
except CampaignFaults as faults:
    print(faults, file=sys.stderr)
    sys.exit(2)

SETTINGS = PLAN.settings
RESULTS = SETTINGS.results


wildcard_constraints:
    run="[A-Za-z0-9][A-Za-z0-9_.-]*",
    batch="[A-Za-z0-9][A-Za-z0-9_.-]*",
    session="[A-Za-z0-9][A-Za-z0-9_.-]*",


include: "workflow/rules/calibrate.smk"
include: "workflow/rules/recordings.smk"
include: "workflow/rules/tables.smk"
include: "workflow/rules/findings.smk"


rule all:
    default_target: True
    input:
        [step.file(PLAN.results, key) for step in STEPS.values() for key in step.keys(PLAN)],
        JOBS["pressure"].all_outputs(PLAN),


onsuccess:
    from tapeline.report.summary import left_out

    for name in left_out(PLAN.results):
        print(
            f"left out: run {name}, its recording has a fault; see the report",
            file=sys.stderr,
        )
