"""Benchmarks: ratios measured in one run, printed as `name value`; never timed tests."""
