"""All SQL of the service, by noun. Functions take a session; none of them commits."""
