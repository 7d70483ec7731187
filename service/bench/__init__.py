"""What the operator does, act by act: claim, pull, seat, burn, resolve, inspect, release.

Each act is one function that both doors (`service.api`, `service.pages`) call. Geometry runs before or after
its transaction, never inside.
"""
