"""Boxed units: in bins, reserved for jobs, put back after a cancellation, counted from a file."""
