"""Job `tones`: the tones of all runs, followed over speed, beside the modes of cavities."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from tapeline.campaign.plan import Plan
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.tones import JOB
from tapeline.jobs.tones import needs as needs_of
from tapeline.jobs.tones.difference_rows import difference_rows
from tapeline.jobs.tones.mode_rows import mode_rows
from tapeline.jobs.tones.session_modes import session_modes
from tapeline.jobs.tones.session_tones import Verdicts, session_tones
from tapeline.jobs.tones.session_tracks import numbers_of, session_tracks
from tapeline.jobs.tones.tone_rows import tone_rows
from tapeline.jobs.tones.track_rows import track_rows
from tapeline.store import parquet, tables
from tapeline.store.parquet import PartWriter
from tapeline.store.schema import Row, Table


def run(plan: Plan) -> None:
    """Write the tables of tones, their tracks and differences and of cavity modes, session by session."""
    needs = needs_of(plan)
    results, stamp = plan.results, {"campaign": needs.campaign, "digest": JOB.digest(plan)}
    verdicts = _verdicts(results)
    with ExitStack() as open_files:

        def writer(table: Table[Row]) -> PartWriter[Row]:
            return open_files.enter_context(parquet.writing_parts(table, campaign_table(results, table.name), **stamp))

        tones, tracks = writer(tables.TONES), writer(tables.TONE_TRACKS)
        modes, differences = writer(tables.CAVITY_MODES), writer(tables.TONE_DIFFERENCES)
        for session in needs.sessions:
            found = session_tones(results, session, needs, verdicts)
            followed = list(session_tracks(needs, found))
            resonances = session_modes(needs, session, found)
            tones.write_rows(tone_rows(needs, found, numbers_of(followed), resonances))
            tracks.write_rows(track_rows(needs, session, found, followed, resonances))
            differences.write_rows(difference_rows(needs, session, found))
            modes.write_rows(mode_rows(needs, session, found, resonances))


def _verdicts(results: Path) -> Verdicts:
    path = campaign_table(results, tables.QUALITY.name)
    rows = parquet.read_rows(tables.QUALITY, path, ("run", "position", "verdict", "reasons"))
    doubted = (row for row in rows if row["verdict"] != "good")
    return Verdicts({(row["run"], row["position"]): (row["verdict"], tuple(row["reasons"])) for row in doubted})
