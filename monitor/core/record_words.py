"""What is said where the record can no longer be signed."""

from __future__ import annotations

from monitor.core.trouble_mail import At, Words, lines
from monitor.core.troubles import Trouble


def unsigned_begins(trouble: Trouble, at: At) -> Words:
    """No head could be signed for long."""
    since = at(trouble.since)
    return Words(
        "the record is no longer signed",
        lines(
            f"since {since} no head of the audit trail could be signed.",
            "pumps are watched, people are told and everything is recorded as ever. But what is recorded since then is "
            "under no signature: a later change of it might not be found out.",
            (
                'What does the service\'s log say at "no head of the trail could be signed"?',
                "Is trail.key in the folder of its state as it was, owned by the service and readable for nobody else?",
                "If it is lost, start the service anew: it makes another key and says so in the trail. Then copy "
                "trail.pub to wherever heads are checked.",
            ),
            "it tries again at each next head, and tells you when it signs again.",
        ),
        f"record not signed since {since}. Pumps are watched as ever. See mail or log.",
    )


def unsigned_ends(trouble: Trouble, at: At) -> Words:
    """Heads are signed again."""
    over = at(trouble.since if trouble.over is None else trouble.over)
    return Words(
        "the record is signed again",
        (f"The audit trail is signed again since {over}, and with it all that was recorded meanwhile.",),
        f"record is signed again, {over}.",
    )
