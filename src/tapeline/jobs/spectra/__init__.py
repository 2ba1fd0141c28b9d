"""The job `spectra`."""
