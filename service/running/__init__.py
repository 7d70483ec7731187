"""What runs beside the requests: threads, the worker, tasks, the outbox and the sweeps."""
