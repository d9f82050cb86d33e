"""How long do batteries last? Begin with ``study``; ``charging`` is the exchange of one phase."""
