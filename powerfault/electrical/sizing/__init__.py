"""What must a jumper carry, and which conductor can? ``study`` joins ``transfer`` and ``gauge_choice``."""
