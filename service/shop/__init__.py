"""The shop's description in force, the worker processes that do its geometry, and the settings."""
