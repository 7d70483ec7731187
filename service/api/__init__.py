"""HTTP: one file per noun. A route parses, calls one use case, returns."""
