"""Which of the possible jumpers are worth the crew's minutes? Begin with ``study``."""
