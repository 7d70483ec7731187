"""The shop's description in force, the worker processes that do its geometry, and the settings.

The owner describes blades, plates, stations and processes in files (`fixtures/`); `catalogue` reads and
checks them as a whole, `versions` keeps every version that a load may still be locked to. `tools` is the
bundle that use cases are handed: database, settings, description, geometry workers, clock.
"""
