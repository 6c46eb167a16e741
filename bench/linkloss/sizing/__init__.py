"""Whether fuses, leads and feeds suit the loads of a vehicle, before anybody buys cable."""
