"""What can go wrong with the store.  Each text is one sentence for the user.

StoreError
  StoreInUse     another daemon owns this store
  StoreVersion   the file is no store, or of a newer schema than this program knows
  StoreFull      there is no room: what was not acknowledged is not stored, everything acknowledged stays readable
  StoreFault     the disk failed or could not follow: unacknowledged points must come again from the instrument
  StoreConflict  the request contradicts what is stored, for instance a run id that exists already
  NoSuchRun      no run of this name is stored
  NoSuchEvaluation   no evaluation of this name is stored
"""


class StoreError(Exception):
    """Base of all errors of the store."""


class StoreInUse(StoreError):
    pass


class StoreVersion(StoreError):
    pass


class StoreFull(StoreError):
    pass


class StoreFault(StoreError):
    pass


class StoreConflict(StoreError):
    pass


class NoSuchRun(StoreError):
    pass


class NoSuchEvaluation(StoreError):
    pass
