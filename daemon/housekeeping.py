"""Deleting, restoring and purging stored runs, by whoever has the store open."""

from luggin.daemon.store import Store
from luggin.protocol.payloads import Command, DeleteRun, PurgeRun, RestoreRun


async def remove(store: Store, order: Command, by: str) -> str:
    """Carry out one of these orders; returns the sentence that says so.  Raises StoreError."""
    match order:
        case DeleteRun():
            await store.delete_run(order.run, by, order.reason)
            return f"Run {order.run} is deleted; `luggin restore {order.run}` brings it back."
        case RestoreRun():
            await store.restore_run(order.run, by)
            return f"Run {order.run} is restored."
        case PurgeRun():
            await store.purge_run(order.run, by)
            return f"Run {order.run} is gone; the node's log keeps its hashes."
    raise TypeError(f"no such order: {order!r}")
