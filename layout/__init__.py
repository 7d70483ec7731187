"""The pure core of Ricasso: values in, values out.

No database, clock, file path, chance or log lives here; fonts and artwork come in as bytes,
results go out as values. Millimetres, degrees, seconds; y up; faces as the laser sees them.
"""
