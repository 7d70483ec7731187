"""The rows that are the truth: tables and migrations, states and guarded moves, errors, ids, the clock.

Every move of a job, load or lot is one guarded update and one row of history in the same transaction. A
message to a worker or a store is written beside it and sent afterwards.
"""
