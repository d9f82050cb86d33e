"""What flows: currents and voltages, the loads that ratings let be served, switching, sizing, protection, batteries.

Rooms, each importing only from those before it: ``currents`` (wiring, DC flow, conductors), ``served`` (served load
within ratings), ``restore`` (switching after a failure), ``voltages``, ``protection``, ``sizing``, ``endurance``.
"""
