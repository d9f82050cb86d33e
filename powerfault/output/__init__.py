"""How is a result shown? Nothing here computes what a result says.

Rooms: ``blocks`` (the one table model, and its forms), ``answers`` (one module a command), ``pictures``, ``sections``
(of the report), ``page`` (the page that opens in a browser), and ``report``, which writes them all.
"""
