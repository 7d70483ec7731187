"""What the operator does, act by act: claim, pull, seat, burn, doubt, inspect, release.

Each act is one function that both doors (`service.api`, `service.pages`) call: geometry before or after
its transaction, never inside.
"""
