"""One load: its contents, who holds it, its repeats; what waits at a station; lots of bare blades."""
