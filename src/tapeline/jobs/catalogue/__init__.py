"""The job `catalogue`."""
