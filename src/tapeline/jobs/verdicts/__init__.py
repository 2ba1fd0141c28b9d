"""The job `verdicts`."""
