"""The service beside the cell."""
