"""What does a change cure, break and spread? Begin with ``study``; ``cases`` compares case by case."""
