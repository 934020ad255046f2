"""A simulated bench, independent of the analyser: boards, faults, rigs, and the dumps they make.

`scenes.draw(seed)` is the way in. Nothing here may import what judges a dump; only the board
profile and the record types are shared.
"""
