"""What does the next failure do once the one before has been answered? Begin with ``study``, then ``answered``."""
