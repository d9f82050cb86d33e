"""Which currents flow and which voltages stand in a DC network? Begin with ``bus_voltages``, then ``dc_flow``."""
