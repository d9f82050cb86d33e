"""Which loads can be served within ratings, capacities and batteries? Begin with ``study``, then ``capacity``."""
