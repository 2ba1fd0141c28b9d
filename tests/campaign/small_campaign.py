"""A small campaign that is free of faults, as texts to change and to write."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tapeline.campaign.faults import CampaignFaults, Fault
from tapeline.campaign.load import load_campaign

MINIMAL = {
    "config/campaign.yaml": """\
campaign: roof
conditions:
  open: {applied: []}
  sealed: {applied: [tape]}
""",
    "config/runs.csv": """\
run,recording,kind,session,condition,speed_kmh,calibrator,stage
cal1,cal1.wav,calibration,april,,,speaker,before
bg1,bg1.wav,background,april,,100,,
m1,m1.wav,measurement,april,open,100,,
m2,m2.wav,measurement,april,sealed,100,,
""",
    "config/positions.csv": "position,x_m\nseam1,0.1\nseam2,0.2\n",
    "config/fittings.csv": "session,channel,position,sensor\napril,1,seam1,s1\napril,2,seam2,s2\n",
    "config/sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,10\ns2,11\n",
    "config/calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
}

Files = dict[str, str]


def write(root: Path, files: dict[str, str | bytes]) -> None:
    """Write the files of a campaign below `root`."""
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)


def faults_of(root: Path, channel_count: Callable[[Path], int | None] | None = None) -> tuple[Fault, ...]:
    """The faults of the campaign in `root`; none where it loads."""
    try:
        load_campaign(root, channel_count)
    except CampaignFaults as error:
        return error.faults
    return ()


def changed(file: str, old: str, new: str) -> Files:
    """The small campaign with `old` replaced by `new` in one file."""
    assert MINIMAL[file].count(old) >= 1, f"{old!r} is not in {file}"
    return {**MINIMAL, file: MINIMAL[file].replace(old, new, 1)}
