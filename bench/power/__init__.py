"""The electrical side of a vehicle; :mod:`bench.power.network` is the way in."""
