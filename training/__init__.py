"""Training: planted faults, built sessions, calibration and evaluation. Imports triage, never the other way."""
