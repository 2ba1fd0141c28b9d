"""The job `calibrate`."""
