"""Keeps the record provable: signs heads of the trail and sends them out, prunes old texts, forgets names.

A head is signed of what is stored, in the store's own thread; it goes to the broker (retained) and, once a day and at a
stop, by mail to whoever the site file names. A head that could not be sent is covered by the next one.
"""

from __future__ import annotations

import asyncio
import base64
import dataclasses
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

import structlog

from monitor.adapters.carriers import Carrier, Outcome, Parcel, attempt
from monitor.adapters.lockfile import StateError
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_errors import StoreError
from monitor.adapters.store_heads import (
    add_head,
    finish_pruning,
    keys_of,
    last_key,
    newest_head,
    prune_texts,
    to_prune,
)
from monitor.adapters.trail_keys import NEXT, PRIVATE, TrailKey, next_key, take_next, trail_key
from monitor.core.effects import TroubleOver, TroubleSeen
from monitor.core.heads import (
    FORGOTTEN,
    KEY_CHANGED,
    KEY_LOST,
    PRUNED,
    Head,
    encoded,
    head_topic,
    key_change,
    unsigned,
)
from monitor.core.instants import DAY
from monitor.core.phrases import one_line
from monitor.core.site import Site
from monitor.core.tree import Frontier
from monitor.core.troubles import UNSIGNED

log = structlog.get_logger(__name__)

Found = TypeVar("Found")

MAIL_LIMIT: Final = 5.0  # seconds for the mail at a stop; the next one says as much and more
TOO_LONG: Final = DAY  # without a head, until somebody is told; common practice, no source
LONGEST_NAME: Final = 80  # characters of a name that are looked at


class Host(Protocol):
    """What the keeper needs of the service."""

    site: Site
    engine: Any
    link: Any
    again: bool

    def now(self) -> int:
        """The service's instant."""

    def note(self, event: str, **detail: object) -> None:
        """Put something into the trail."""

    def take(self, event: object) -> None:
        """Give the engine an input."""

    async def stored(self) -> None:
        """Return once what was noted so far is stored."""

    async def in_store(self, work: Callable[[], Found]) -> Found:
        """Work with the store in its own thread."""


class RecordKeeper:
    """Keeps one site's record while its service runs."""

    def __init__(
        self,
        store: SqliteStore,
        *,
        site: Site,
        monitor: str,
        mail: tuple[Carrier, str] | None = None,
        keep: int | None = None,
    ) -> None:
        """`mail` is a carrier and the address there; `keep` is for how long texts are kept, in ms."""
        self._store, self._folder = store, store.path.parent
        self._site, self._mail, self._keep = site, mail, keep
        self._topic = head_topic(site.prefix, site.name, monitor)
        self._one = asyncio.Lock()  # no head between a new key's entry and its first use
        self._unmailed = self._closed = False
        self._signed_at: int | None = None  # when the last head was signed, or signing first failed
        self._over = False  # whether the engine has heard that heads are signed
        self._key: TrailKey | None = None
        self._lost: str | None = None
        try:
            self._key, self._lost = _open_key(self._folder, store)
        except StateError as error:  # no reason not to watch the pumps: it is looked for again at each head
            log.error("no key to sign the trail with", why=str(error))

    # ---- heads -------------------------------------------------------------------------------------------------------

    def begin(self, host: Host) -> None:
        """Say in the trail, before anything is signed, if the key is not the one that signed before."""
        if self._lost is not None and self._key is not None:
            log.warning(
                "the key that signed the trail is lost; a new one signs from now on", key=self._key.id
            )
            host.note(KEY_LOST, old=self._lost, new=self._key.id, public_key=encoded(self._key.public))

    async def sign(self, host: Host) -> Head | None:
        """Sign a head of what is stored and publish it; mail it too if the last mail did not go."""
        async with self._one:
            head = await self._sign(host)
        if head is not None and self._unmailed:
            await self.mail(host, head)
        return head

    async def sign_and_mail(self, host: Host) -> None:
        """The day's head."""
        async with self._one:
            head = await self._sign(host)
        if head is not None:
            await self.mail(host, head)

    async def last(self, host: Host) -> None:
        """The head at a stop; a service that begins again at once mails nothing."""
        async with self._one:
            head = await self._sign(host)
        if head is not None and not host.again:
            try:
                async with asyncio.timeout(MAIL_LIMIT):
                    await self.mail(host, head)
            except TimeoutError:
                log.warning(
                    "the trail's head could not be mailed at the stop; it is published", after_s=MAIL_LIMIT
                )

    async def close(self) -> None:
        """Sign nothing more: the store is about to be closed. What is being signed ends first."""
        async with self._one:
            self._closed = True

    async def _sign(self, host: Host) -> Head | None:
        if self._closed:
            return None
        try:
            head = await host.in_store(partial(self._signed, host.now()))
        except (StoreError, StateError) as error:
            log.error("no head of the trail could be signed", why=str(error))
            await self._not_signed(host)
            return None
        self._signed_at = host.now()
        if not self._over:  # it may have stood since before a start
            self._over = True
            host.take(TroubleOver(trouble=UNSIGNED))
        host.link.publish(self._topic, head.text.encode(), retain=True)
        log.info("trail head signed", entries=head.size, root=head.root.hex(), key=head.key)
        return head

    async def _not_signed(self, host: Host) -> None:
        """Let somebody be told if that goes on for long, also over a start."""
        if self._signed_at is None:
            try:
                last = await host.in_store(partial(newest_head, self._store))
            except StoreError:
                last = None
            self._signed_at = host.now() if last is None else last.at
        if host.now() - self._signed_at >= TOO_LONG:
            self._over = False
            host.take(TroubleSeen(trouble=UNSIGNED, facts={"since": self._signed_at}))

    def _signed(self, now: int) -> Head:
        if self._key is None or (self._folder / NEXT).exists():  # a change that a stop or a kill cut short
            key, lost = _open_key(self._folder, self._store)
            if lost is not None:
                raise StateError(
                    f"{self._folder / PRIVATE}: it is not the key that signed before; at the next start it signs"
                )
            self._key = key
        return sign_head(self._store, self._key, now)

    async def mail(self, host: Host, head: Head) -> None:
        """Mail a head, if somebody is to have it; what does not go now goes with the next head."""
        if self._mail is None:
            return
        carrier, address = self._mail
        self._unmailed = True
        made = await attempt(carrier, mail_of(head, address, host.now()))
        self._unmailed = made.outcome is not Outcome.SENT
        if self._unmailed:
            log.warning("the trail's head could not be mailed; the next one will be", why=made.text)

    # ---- retention ---------------------------------------------------------------------------------------------------

    async def retain(self, host: Host) -> int:
        """Take the texts away that are older than the policy says; how many. The trail says so first."""
        if self._keep is None:
            return 0
        live = [concern.raised_at for concern in host.engine.responsibility.concerns.values() if concern.live]
        before = min([host.now() - self._keep, *live])  # what is not over yet is still to be told
        gone = await host.in_store(partial(finish_pruning, self._store))
        told = await host.in_store(partial(to_prune, self._store, before))
        if told is None:
            return gone
        host.note(PRUNED, keep=self._keep, **told)
        await host.stored()
        return gone + await host.in_store(partial(prune_texts, self._store, told["before"]))

    # ---- commands ----------------------------------------------------------------------------------------------------

    def commands(self, host: Host) -> Mapping[str, Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]]:
        """What people can ask of the keeper over the control socket."""
        return {"trail-key-rotate": partial(self._rotate, host), "forget": partial(self._forget, host)}

    async def _rotate(self, host: Host, command: dict[str, Any]) -> dict[str, Any]:
        del command
        async with self._one:
            old = self._key
            if old is None:
                return {"ok": False, "text": "There is no key to be changed; the service's log says why."}
            try:
                new = await asyncio.to_thread(next_key, self._folder)
            except StateError as error:
                return {"ok": False, "text": str(error)}
            host.note(KEY_CHANGED, **changed(host.site.name, old, new))
            await host.stored()
            head = await self._sign(host)
        if head is None:
            return {
                "ok": False,
                "text": "The new key is in the trail, but signing failed; the service's log says why.",
            }
        return {"ok": True, "text": rotated(old.id, new.id)}

    async def _forget(self, host: Host, command: dict[str, Any]) -> dict[str, Any]:
        name = str(command.get("name", ""))[:LONGEST_NAME]
        if (why := still_used(name, host.site)) is not None:
            return {"ok": False, "text": why}
        if name in host.engine.devices:
            return {"ok": False, "text": STILL_WATCHED.format(name=name)}
        if any(name in (c.holder, *c.told) for c in host.engine.responsibility.concerns.values() if c.live):
            return {
                "ok": False,
                "text": f"{name} is part of a concern that is not over yet; ask again when it is.",
            }
        keys = await host.in_store(partial(keys_of, self._store, name))
        if not keys:
            return {"ok": False, "text": NOT_KNOWN.format(name=one_line(name, LONGEST_NAME))}
        for key, kind in keys.items():
            host.note(FORGOTTEN, key=key, what=kind)
            host.engine.journal.erase(kind, key)
        await host.stored()
        return {"ok": True, "text": forgotten(name, keys)}


def _open_key(folder: Path, store: SqliteStore) -> tuple[TrailKey, str | None]:
    """The key that signs now, and the id of the one that did if that is lost."""
    if (folder / NEXT).exists():
        take_next(folder, last_key(store))
    key = trail_key(folder)
    newest = newest_head(store)
    if newest is None or newest.key == key.id:
        return key, None
    last = last_key(store)
    return key, None if last == key.id else last


def sign_head(store: SqliteStore, key: TrailKey, now: int) -> Head:
    """Sign a head of what is stored; StoreError."""

    def make(frontier: Frontier, before: Head | None) -> Head:
        previous = before.digest if before is not None else None
        head = unsigned(store.site, frontier.size, frontier.root(), now, key.public, previous)
        return dataclasses.replace(head, signature=key.sign(head.signed))

    return add_head(store, make)


def changed(site: str, old: TrailKey, new: TrailKey) -> dict[str, str]:
    """What the trail says of a change of keys: the new one, and that the old one signed it."""
    return {
        "old": old.id,
        "new": new.id,
        "public_key": encoded(new.public),
        "signature": base64.b64encode(old.sign(key_change(site, old.id, new.public))).decode(),
    }


# ---- words -----------------------------------------------------------------------------------------------------------

STILL_WATCHED: Final = (
    "{name} is still watched: its messages come, or came before the last stop. Take it off the broker (its retained "
    "messages too), stop the service, and ask again with --site."
)
NOT_KNOWN: Final = "The trail knows no person and no device by the name {name}; nothing was changed."


def still_used(name: str, site: Site) -> str | None:
    """Why a name cannot be forgotten: it would be back with the next entry about it."""
    for what, known in (("people", site.people), ("devices", site.devices)):
        if name in known:
            return (
                f"{name} stands in the site file, under [{what}]: it would be back with the next entry. Take it out "
                "there, `secondbell reload`, and ask again."
            )
    return None


def forgotten(name: str, keys: Mapping[str, str]) -> str:
    """What was done, and what was not."""
    return (
        f"Forgotten: {name} ({', '.join(keys)}). The trail is whole and now shows the key alone. Not touched: the text "
        "of notices (kept 90 days), settled concerns (a day), what a pump gave (70 days, or [handover] keep), "
        "unreadable messages (30 days), ids of a bridge's messages, recordings, backups, mails, pages in handovers/."
    )


def rotated(old: str, new: str) -> str:
    """What to do after a change of keys."""
    return (
        f"The key {new} signs from now on; the trail says so, signed with the one before, {old}. Copy trail.pub to "
        f"wherever heads are checked. Proofs under older heads still need trail-{old}.pub."
    )


def mail_of(head: Head, address: str, now: int) -> Parcel:
    """A head as a mail: to be kept, not to be read at night."""
    body = (
        f"This is a signed head of the record that Second Bell keeps at {head.site}: {head.size} entries.\n"
        "\n"
        "Nothing has to be done. Please keep this mail, where nobody of the site can change it: as long as it\n"
        "is there, nobody can change, remove or add an entry of before without its being found.\n"
        "\n"
        "To check the record, save this mail as a file and run, on the monitor's machine:\n"
        "  secondbell trail verify --site SITE.toml --head FILE\n"
        "\n"
        f"{head.text}\n"
    )
    return Parcel(
        notice=f"head-{head.digest[:20]}",
        message_id=f"<head-{head.digest[:20]}@{head.site}.secondbell.invalid>",
        address=address,
        subject=f"Second Bell, record of {head.site}: {head.size} entries, signed",
        body=body,
        urgency="low",
        thread=None,
        date_ms=now,
    )
