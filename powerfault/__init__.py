"""powerfault: which loads lose power under every failure, before and after a jumper is fitted."""

__version__ = "0.1.0"
