"""What views and runs are called in file names and anchors."""

from __future__ import annotations

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import View


def figure_name(campaign: Campaign, subject: str, view: View) -> tuple[str, ...]:
    """Identifiers only: comparison, session, speed and yaw."""
    sessions = tuple(dict.fromkeys((view.reference_session, view.treatment_session)))
    unit = campaign.settings.report.speed_unit
    value = view.speed_mps * 3.6 if unit == "km/h" else view.speed_mps
    speed = f"{round(value, 1):g}{'kmh' if unit == 'km/h' else 'mps'}"
    yaw = f"yaw{'m' if view.yaw_deg < 0 else ''}{abs(round(view.yaw_deg, 1)):g}"
    return (subject, view.comparison, *sessions, speed, yaw)


def view_anchor(campaign: Campaign, view: View) -> str:
    """The place of a view on the page."""
    return "-".join(figure_name(campaign, "view", view))


def pair_anchor(campaign: Campaign, view: View, position: str) -> str:
    """The place of a view's figure of one position on the page."""
    return "-".join((*figure_name(campaign, "at", view), position))


def run_anchor(run: str) -> str:
    """The place of a run in the run log of the page; a run called "log" does not take the place of the log itself."""
    return f"run-{'.' if run.startswith('log') else ''}{run}"


def run_file(run: str) -> str:
    """The page of a run, relative to the page that circulates."""
    return f"runs/{run}.html"
