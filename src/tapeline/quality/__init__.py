"""Can a channel be trusted in a run: reason codes, sentences and verdicts."""
