"""Cancelling: a task that was told to end, and whose way out met an error instead."""

import asyncio


def heed_cancellation() -> None:
    """Raise CancelledError where this task was cancelled and an error came out instead.

    What stops a mount on the way out may find its link gone.  And before Python 3.13 a task group
    loses the cancellation of its task where one of its own tasks fails at that moment: a broker
    that goes while the service ends.  A task that ran such a group itself counts its failures as
    cancellations: ask in the one that awaits it.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
