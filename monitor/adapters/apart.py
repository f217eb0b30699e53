"""A plug-in's carrier, kept apart: in a thread and loop of its own, so that whatever it does harms no other carrier.

One that raises, hangs, blocks its thread or ends its loop costs each of its attempts the time limit, and no more.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Coroutine, Iterable
from concurrent.futures import Future
from typing import Any, Final

import structlog

from monitor.adapters.carriers import DEFAULT_LIMIT, Attempt, Carrier, Outcome, Parcel, one_line

log = structlog.get_logger(__name__)

FAREWELL: Final = 1.0
"""Seconds for `close`: the outcome of every attempt is known by then."""


class CarrierApart:
    """The carrier that `open` gives, at the latest for the first parcel; `limit` is in seconds, for each attempt.

    `secrets` are blacked out of whatever the plug-in says.
    """

    def __init__(
        self,
        name: str,
        open: Callable[[], Carrier],
        *,
        limit: float = DEFAULT_LIMIT,
        secrets: Iterable[str] = (),
    ) -> None:
        self.name = name
        self._open, self._limit, self._secrets = open, limit, tuple(secrets)
        self._carrier: Carrier | None = None
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name=f"carrier {name}", daemon=True)
        self._thread.start()
        self._give(self._try_opening())

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once; raises nothing but CancelledError."""
        sending = self._give(self._send(parcel))
        try:
            async with asyncio.timeout(self._limit):
                return await asyncio.wrap_future(sending)
        except TimeoutError:
            text = f"no answer from the plug-in within {self._limit:g} s (the notice may have gone out)"
        except RuntimeError as error:
            text = f"fault in the plug-in: {error}"
        finally:
            sending.cancel()
        return Attempt(outcome=Outcome.TRY_LATER, text=text)

    async def close(self) -> None:
        """Close the carrier and end its loop; not waited for if it does not come to it."""
        with contextlib.suppress(TimeoutError, RuntimeError):
            async with asyncio.timeout(FAREWELL):
                await asyncio.wrap_future(self._give(self._close()))
        with contextlib.suppress(RuntimeError):  # it has ended by itself
            self._loop.call_soon_threadsafe(self._loop.stop)
        await asyncio.to_thread(self._thread.join, FAREWELL)

    # ---- in its thread ---------------------------------------------------------------------------------------------

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_forever()
            if left := asyncio.all_tasks(self._loop):
                for task in left:
                    task.cancel()
                self._loop.run_until_complete(asyncio.wait(left, timeout=FAREWELL))
        except (
            BaseException
        ) as error:  # a callback of another's code: no trace for a user, and no thread any more
            log.error("a carrier's plug-in has ended its thread", carrier=self.name, fault=self._said(error))
        finally:
            self._loop.close()

    def _give(self, work: Coroutine[Any, Any, Any]) -> Future[Any]:
        try:
            return asyncio.run_coroutine_threadsafe(work, self._loop)
        except RuntimeError:  # its loop is closed
            work.close()
            never: Future[Any] = Future()
            never.set_exception(RuntimeError("its thread has ended"))
            return never

    async def _try_opening(self) -> None:
        try:
            self._opened()
        except BaseException as error:
            # It starts all the same: each attempt opens it anew, and fails by name until it works.
            log.error("a carrier's plug-in cannot be opened", carrier=self.name, fault=self._said(error))

    def _opened(self) -> Carrier:
        if self._carrier is None:
            self._carrier = self._open()
        return self._carrier

    async def _send(self, parcel: Parcel) -> Attempt:
        try:
            attempt = await self._opened().send(parcel)
            if not isinstance(attempt, Attempt):
                raise TypeError(f"no Attempt but {type(attempt).__name__}")
            return Attempt(
                outcome=Outcome(attempt.outcome),
                text=one_line(str(attempt.text), self._secrets) or "(no words)",
            )
        except GeneratorExit:
            raise  # it is thrown away with its loop
        except BaseException as error:  # SystemExit too: nothing may be raised here (the seam)
            task = asyncio.current_task()
            if isinstance(error, asyncio.CancelledError) and task is not None and task.cancelling():
                raise
            return Attempt(outcome=Outcome.TRY_LATER, text=f"fault in the plug-in: {self._said(error)}")

    async def _close(self) -> None:
        try:
            if self._carrier is not None:
                await self._carrier.close()
        except BaseException as error:
            log.error("a carrier's plug-in cannot be closed", carrier=self.name, fault=self._said(error))

    def _said(self, error: BaseException) -> str:
        return one_line(f"{type(error).__name__}: {error}", self._secrets)
