"""The job `tables`."""
