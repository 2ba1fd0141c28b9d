"""The job `repeat`."""
