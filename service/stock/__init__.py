"""Boxed units: in bins, reserved for jobs, put back after a cancellation, counted from a file.

Not a warehouse system: it knows how many boxed units of a product stand in which bin, which of them belong to
a job, and in which order somebody walks past the bins.
"""
