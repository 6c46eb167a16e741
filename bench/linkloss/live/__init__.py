"""A vehicle that is driven by hand: on real time, recorded, judged while it runs."""
