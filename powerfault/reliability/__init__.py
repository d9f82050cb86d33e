"""How likely is each load or function to fail? Begin with ``study``.

The way: ``variables`` -> ``structure`` (exact functions as a ``decision_diagram``, else ``brackets``) -> ``rates`` ->
``probability``, ``importance``, ``uncertainty`` -> ``change`` (before and after).
"""
