"""The main findings as sentences: the one place where the terminal asks for them."""

from __future__ import annotations

from tapeline.campaign.model import Campaign


def main_sentences(campaign: Campaign) -> list[str]:
    """A handful of sentences of finished results, the most important first; empty where there is nothing to tell."""
    from tapeline.report.findings import main_findings

    return [finding.sentence for finding in main_findings(campaign.results, campaign)]
