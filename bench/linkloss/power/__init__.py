"""The electrical side of a vehicle; :mod:`linkloss.power.network` is the way in."""
