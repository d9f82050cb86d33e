"""Is a plan of outings safe at every step? Begin with ``study``; ``rules`` judges each step."""
