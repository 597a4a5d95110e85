"""Whether instrument, electrode and cell are fit for use: what is looked at, how, and what has to come out; pure."""
