"""What an administrator does with the shop's records as a whole: keep a copy, bring one back, move to
another database.

Nothing here knows what the rows mean. That a copy is whole is shown three ways: every file in it has its
digest, every table its count, and `ricasso audit` looks at what came out of it.
"""
