"""How is a work site isolated from every source? Begin with ``study``; ``checks`` judges the result."""
