"""The job `manifest`."""
