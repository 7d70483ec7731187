"""May it be burned; may the plan be followed? Two judges that share no code with what they judge.

An engraved unit can't be un-engraved, so whatever is proposed is looked at again by a second program that
was written apart from the first. These modules see values alone (`layout.shop`, `layout.loading.backlog`);
where they need the same physics as the proposer, such as focus, they work it out in their own way on
purpose, and a test holds both against each other. An import contract keeps it so.
"""
