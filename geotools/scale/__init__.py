"""Many districts: who plans which run, the workers, what is done already."""
