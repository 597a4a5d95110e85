"""What can go wrong with a data package."""


class PackageError(Exception):
    """One sentence for the user: what is wrong with which file, and the remedy."""
