"""Carrying out a program in instrument time: what the cell is asked for, what is measured, when it ends.

A *course* is one segment as steps of the cell; it gives one sample a step, and some samples become points.  Samples
depend on program, cell and seed alone: when they are computed, and how many at once, changes nothing.
"""
