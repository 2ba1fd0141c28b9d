"""The job `scale`."""
