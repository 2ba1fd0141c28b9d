"""A small page a run: its verdicts, spectra, levels against time, calibration, and what it is used for."""
