"""The job `pressure`."""
