"""Faults on purpose: the real service in its own processes, people who work with it over HTTP, and everything
that can happen to a machine meanwhile.

    processes.py   the service's processes, PostgreSQL and the broker: killed, frozen, started again
    launch.py      a process of the service whose clock can be set from outside
    proxy.py       connections that can be cut or fall silent
    people.py      stores, the desk, operators and a receiver; each keeps what it was told
    storm.py       the faults, drawn from a seed
    verdict.py     what was told, held against what is on record
    naive.py       a shop without the guards, which must lose and double under the same faults
    naive_parts.py its processes
    soak.py        the long run: `sh tests/run soak`
"""
