"""Which failures does each load and function tolerate, before and after a change? The main job, whole.

Begin with ``study`` (every failure of one system), then ``comparison.study`` (before and after). ``cutsets`` finds
minimal cut sets, ``verdicts`` holds them against what is required, ``explain`` says why a load is lost, ``worksheet``
lists the effects of every failure mode.
"""
