"""The main findings as sentences: the one place where the terminal asks for them."""

from __future__ import annotations

from tapeline.campaign.model import Campaign

MOST_CONDITIONS = 3


def main_sentences(campaign: Campaign) -> list[str]:
    """A handful of sentences of finished results: what treatments gain and leave at the first spot, and the spots.

    They speak of the sheet's operating point, and of nothing that was picked because it is large.
    """
    from tapeline.report.comparison_views import condition_title
    from tapeline.report.finished_tables import read_finished
    from tapeline.report.headline import headline_of
    from tapeline.report.page_table import plain
    from tapeline.report.sections.sheet import sheet_sentences
    from tapeline.report.sections.work_first import spots_of
    from tapeline.words.treatment_sentences import Wording, gain_sentence, leaves_no_part, remainder_sentence

    tables = read_finished(campaign.results)
    headline = headline_of(tables, campaign)
    if headline is None or not tables.treatments:
        return sheet_sentences(tables, campaign)
    settings, spots = campaign.settings, spots_of(tables, campaign)
    wording = Wording(settings.report.speed_unit, settings.confidence, settings.compare.practical_threshold_db)
    said = []
    for condition in headline.conditions[:MOST_CONDITIONS]:
        rows = headline.by_position(condition)
        first = next((name for name in spots.positions if name in rows), min(rows))
        title = condition_title(campaign, condition)
        said.append(gain_sentence(rows[first], title, wording))  # type: ignore[arg-type]
        if rows[first]["applied"] and rows[first]["remainder_finding"] is not None:
            best = condition_title(campaign, rows[first]["best"])
            if not leaves_no_part(rows[first]):  # type: ignore[arg-type]
                best = f"what {best} gains"
            said.append(remainder_sentence(rows[first], title, wording, that=best))  # type: ignore[arg-type]
    which = f" in comparison {spots.comparison}" if len(settings.comparisons) > 1 else ""
    return [*said, *(f"{plain(group.words)} of the power shown as contributed{which}." for group in spots.groups)]
