"""Curves as pictures: print-ready plots with units and the trade's axis titles."""
