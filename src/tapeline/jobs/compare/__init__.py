"""The job `compare`."""
