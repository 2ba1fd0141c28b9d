"""A campaign folder begun on disk: nothing is overwritten, nothing is written elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path, PurePosixPath

from tapeline.campaign.faults import CampaignFaults, Fault, Gap
from tapeline.campaign.load import load_campaign
from tapeline.campaign.path_rule import path_misfit
from tapeline.new_campaign.campaign_files import campaign_files, identifier_of
from tapeline.new_campaign.proposal import Proposal, proposal
from tapeline.new_campaign.refusal import RefusedError

RECORDINGS = "recordings"
TAKEN = ("config", "results")


def _silent(_: str) -> None:
    """Tell nobody."""


def begin(
    folder: Path, recordings: Path | None, also: Iterable[str] = (), progress: Callable[[str], None] = _silent
) -> tuple[Proposal, tuple[Fault, ...]]:
    """Begin a campaign in `folder`; returns what the recordings propose and the gaps that are left.

    `also` names optional tables; `progress` is told how far the reading is. Raises RefusedError where nothing may be
    written, OSError where it cannot be; what was written by then is taken away.
    """
    path = RECORDINGS if recordings is None else _path_from(folder, recordings)
    _require_empty(folder, PurePosixPath(path).parts[0])
    proposed = Proposal() if recordings is None else proposal(recordings, progress)
    files = campaign_files(identifier_of(folder.resolve()), path, proposed, also)
    _write(folder, files, [RECORDINGS] if recordings is None else [])
    return proposed, _gaps(folder)


def _require_empty(folder: Path, kept: str) -> None:
    """Raises RefusedError where the folder holds more than the folder of recordings, were it empty so far."""
    try:
        names = sorted(entry.name for entry in folder.iterdir() if entry.name != kept)
    except FileNotFoundError:
        if folder.is_symlink():
            raise RefusedError(f"{folder} is a link that leads nowhere; name a new folder or an empty one") from None
        return
    except NotADirectoryError:
        raise RefusedError(f"{folder} is a file; name a new folder or an empty one") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RefusedError(f"{folder!s:.200} cannot be looked into ({reason}); name a new folder") from None
    if names:
        shown = ", ".join(names[:3]) + (" and more" if len(names) > 3 else "")
        raise RefusedError(f"{folder} holds files already ({shown}); name a new folder or an empty one")


def _path_from(folder: Path, recordings: Path) -> str:
    """The path of recordings from the campaign folder, absolute where they lie elsewhere.

    Raises RefusedError where settings may not hold it.
    """
    path, here = recordings.resolve(), folder.resolve()
    if here == path or path in here.parents:
        raise RefusedError(f"{folder} lies in the folder of the recordings; name a folder beside it")
    if path == (here / RECORDINGS).resolve():
        return RECORDINGS
    shown = str(path.relative_to(here) if here in path.parents else path)
    misfit = path_misfit(shown, outside=True)
    if misfit is not None:
        raise RefusedError(f"{recordings}: found {misfit.found}, expected {misfit.expected}; rename the folder")
    if PurePosixPath(shown).parts[0] in TAKEN:
        raise RefusedError(f"{recordings} lies where settings or results will; move the recordings to {RECORDINGS}")
    return shown


def _write(folder: Path, files: dict[str, str], folders: Iterable[str]) -> None:
    """Write all files, each new; takes back what was written where one cannot be."""
    made: list[Path] = []
    try:
        for path in (*reversed(folder.parents), folder, folder / "config", *(folder / name for name in folders)):
            if not path.is_dir():
                path.mkdir()
                made.append(path)
        for name, text in files.items():
            with (folder / name).open("x", encoding="utf-8", newline="") as stream:
                made.append(folder / name)
                stream.write(text)
    except OSError:
        for path in reversed(made):
            with suppress(OSError):
                path.rmdir() if path.is_dir() else path.unlink()
        raise


def _gaps(folder: Path) -> tuple[Fault, ...]:
    """The gaps as `tapeline check` names them."""
    try:
        load_campaign(folder)
    except CampaignFaults as faults:
        return tuple(fault for fault in faults if isinstance(fault, Gap))
    return ()
