"""The job `sensitivity`."""
