"""Which switching restores service after a failure, step by step? ``study`` finds the ``plan``."""
