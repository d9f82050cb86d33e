"""How do wiring lists, load lists and equipment lists become a topology? Begin with ``gather``.

``description`` reads the file that says which list is where and what its columns mean, ``sheets`` reads the lists
themselves, ``cells`` turns a cell into the value of a field, ``gather`` puts all of it together.
"""
