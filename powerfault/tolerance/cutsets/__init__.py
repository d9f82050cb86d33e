"""Which smallest sets of failures fail a load? ``enumerated`` from all cases, ``direct`` where those are too many."""
