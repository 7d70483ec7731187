"""What runs beside the requests: threads, the worker, tasks, the outbox and the sweeps.

A request never waits for this and never sends a message. It writes a row of the outbox in its own
transaction; the relay sends what is there afterwards, and a task does the work of its row once, however often
the message comes. The sweeps look for whatever was left lying by a crash. With no broker all of it runs in
threads of the service (`runner`), with one in Celery workers (`worker`).
"""
