"""The plan of the backlog: which units share a load, at which station, when; and what to promise from it.

    backlog -> starting plans -> very many small changes -> loads in time -> judged (`layout.judge.plan`)

`planner` makes a plan, `keep_up` works new orders into it one by one, `promise` says when an order will be
done. How a good plan is found is private to this room (`search`).
"""
