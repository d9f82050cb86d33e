"""Does the device nearest to a fault clear it? ``study`` asks, ``checks`` are its answers as values."""
