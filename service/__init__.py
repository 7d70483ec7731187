"""The service around the core: HTTP, database, tasks. A route parses, calls one use case, returns."""
