"""A made-up shop that runs the whole job: Alder & Quay, which does not exist, its buyers and its orders."""
