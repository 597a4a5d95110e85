"""Evaluations: what is computed from stored runs, after each run and when somebody asks.

The computing is done by pure functions (`functions`), in a niced child of the daemon (`child`, minded by `calculator`)
or in the process of whoever calls `functions.evaluate`.  `evaluator` stores what comes of it.
"""
