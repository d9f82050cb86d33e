"""Which jumper is worth the outing, and how is it fitted without danger?

Rooms: ``ranking`` (which), ``isolation`` (how a work site is made dead), ``outing`` (the plan, step by step).
"""
