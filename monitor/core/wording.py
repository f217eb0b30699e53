"""The words of notices as tables: why it is told, what a rule found, what a pump reports.

Editing rules: tables only. Short words first, as a phone shows them; nothing in a `page` or `short` text may
say more of a person than that a pump needs somebody. A rule without its row is told by its sentence.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple


class Why(NamedTuple):
    """Why a notice is told: its kind, its label, and its sentence for mail and page."""

    kind: str  # "call": somebody must go; "yours": you have it; "told": somebody else has it; "over"
    label: str  # "", or a word before the priority
    mail: str
    page: str


WHY: Final[Mapping[str, Why]] = {
    "raised": Why("call", "", "This is the first notice of it.", ""),
    "next-rung": Why("call", "", "Nobody has accepted it yet, so you are told now.", "Nobody has it yet."),
    "round-again": Why(
        "call",
        "",
        "Everybody who could be told was told, and still nobody has accepted it.",
        "STILL nobody has it.",
    ),
    "further": Why(
        "yours",
        "",
        "You have this pump already; this came on top. You need not accept again.",
        "You have this pump.",
    ),
    "relapsed": Why("call", "", "It was over and is back.{had}", "Back again."),
    "priority-raised": Why(
        "call", "", "It has become worse: its priority was raised.{had}", "Worse than before."
    ),
    "handed-back": Why(
        "call", "", "{Holder} handed it back, so nobody has it now.", "Handed back, nobody has it."
    ),
    "recheck": Why(
        "call",
        "",
        "{Holder} accepted it, but the trouble is still there, so it is open again.",
        "Accepted, still there.",
    ),
    "duty": Why(
        "call",
        "",
        "You have come on duty and this is open. {was}Nobody has it now.",
        "Open as you come on duty.",
    ),
    "still": Why(
        "call",
        "",
        "You were told of it before, and still nobody has accepted it.",
        "Told before, still open.",
    ),
    "hold-over": Why(
        "call",
        "",
        "It was held on purpose, as somebody had answered. That time is over, and it is still so.{had}",
        "Hold over, still so.",
    ),
    "feed-over-over": Why(
        "call",
        "",
        "The feed was over for now, as somebody had answered. That time is past and feed is due, so look whether this "
        "person should be fed.{had}",
        "Feed was said to be over, is due.",
    ),
    "away-over": Why(
        "call",
        "",
        "It was away on purpose, as somebody had answered. That time is over, and it is still not heard of.{had}",
        "Time away is over.",
    ),
    "taken": Why("told", "TAKEN", "{Holder} has it. Nothing is asked of you now.", "{Holder} has it."),
    "taken-over": Why(
        "told", "TAKEN OVER", "{Holder} took it over and has it from now on.", "{Holder} has it now."
    ),
    "yours-now": Why("yours", "TAKEN OVER", "You have it from now on.", "You have it now."),
    "already": Why(
        "told",
        "TAKEN",
        "{Holder} had it before your answer came. Nothing is asked of you now.",
        "{Holder} had it first.",
    ),
    "stand-down": Why("over", "OVER", "Nobody is needed for it any more.", ""),
    "withdrawn": Why("over", "WITHDRAWN", "Nobody is called for it any more.", ""),
    "missed": Why(
        "over",
        "MISSED",
        "The feed was stopped {span}, while Second Bell could not see, so nobody was told in time. "
        "Look at the person all the same, and follow the local plan for a feed that has stopped.",
        "Was stopped {span}, unseen. Look at the person.",
    ),
    "not-taken": Why(
        "call",
        "",
        "Your answer by message was not taken, so nothing has changed and it is still open. Answer with your code: "
        "then you hear why, if it cannot be taken.",
        "Your answer was not taken.",
    ),
    "answer-late": Why(
        "over",
        "OVER",
        "It had ended before your answer came. Nothing more is asked of you.",
        "Ended before your answer.",
    ),
}
"""Every reason for telling somebody; `{Holder}`, `{had}` and `{was}` tell by duty label who has or had it, `{span}`
from when to when it was so."""


class What(NamedTuple):
    """What a rule found, `{d}` being for how long."""

    clause: str  # for the first sentence of a mail
    short: str  # for a subject
    page: str
    errand: str = ""  # where nobody has to go to a pump: what to do about `{place}` instead


WHAT: Final[Mapping[str, What]] = {
    "muted-too-long": What(
        "an alarm there has been without sound for {d}", "alarm without sound", "alarm without sound {d}"
    ),
    "unattended": What(
        "an alarm there has been sounding for {d} and nobody has answered it",
        "alarm unanswered",
        "alarm unanswered {d}",
    ),
    "standing-alarm": What(
        "an alarm there has been standing for {d}, with or without sound",
        "alarm standing",
        "alarm standing {d}",
    ),
    "repeated-occlusion": What(
        "the line there has blocked again and again for {d}",
        "line blocked again and again",
        "line blocked again and again, {d}",
    ),
    "low-power-unplugged": What(
        "the pump there has been on a nearly flat battery for {d}",
        "battery nearly flat, not on mains",
        "battery nearly flat, no mains",
    ),
    "idle-past-limit": What(
        "feed is due there and the pump has not delivered for {d}",
        "feed due, not delivering",
        "not delivering {d}",
    ),
    "stopped-at-glucose-risk": What(
        "feed is due there, the pump has not delivered for {d}, and a stop is dangerous for this person",
        "feed due, not delivering",  # a subject shows on a locked phone: no more than for anybody else
        "not delivering {d}",
    ),
    "out-of-sight": What(
        "nothing has been heard of the pump there for {d}", "pump out of sight", "out of sight {d}"
    ),
    "behind-plan": What(
        "less feed has been given there than the plan says",
        "less given than planned",
        "less given than planned",
    ),
    "over-plan": What(
        "the pump there gives more, or faster, than the plan allows",
        "more or faster than planned",
        "more or faster than planned",
    ),
    "chattering": What(
        "one alarm there comes and goes within the minute, again and again",
        "alarm comes and goes",
        "alarm comes and goes",
    ),
    "not-charging": What(
        "the pump there is on mains, and its battery runs down all the same",
        "battery falls on mains",
        "battery falls on mains",
    ),
    "hung-too-long": What(
        "the container or giving set there has hung too long",
        "container or set hung too long",
        "hung too long",
    ),
    "sight-lost": What(
        "Second Bell has not been able to see them for {d}",
        "pumps out of sight",
        "all pumps out of sight {d}",
    ),
    "drill-missed": What(
        "its last drill was not accepted, so a real trouble might not reach anybody either",
        "drill not accepted",
        "last drill not accepted",
        "find out why nobody accepted the drill of {place}",
    ),
}
"""Words for each rule; another rule is told by its sentence, on a page as "needs somebody"."""

SEEN: Final[Mapping[tuple[str, bool], str]] = {
    ("mains", False): "not on mains",
    ("mains", True): "on mains",
    ("battery_low", True): "the pump calls its battery low",
    ("battery_low", False): "the pump does not call its battery low",
    ("delivering", True): "the pump delivers",
    ("delivering", False): "the pump does not deliver",
    ("feed_due", True): "feed is due",
    ("feed_due", False): "no feed is due",
    ("glucose_risk", True): "a stop is dangerous here",
    ("glucose_risk", False): "a stop is not marked as dangerous",
    ("alarm_active", True): "an alarm is active",
    ("alarm_active", False): "no alarm is active",
    ("losing_charge", True): "the battery falls although it is on mains",
    ("losing_charge", False): "the battery does not fall on mains",
    ("in_window", True): "",  # goes without saying where something is missing of the plan
    ("in_window", False): "outside the times of its plan",
    ("over_rate", True): "the set rate is above the highest that its plan allows",
    ("over_rate", False): "the set rate is within its plan",
    ("sight_lost", True): "its pumps cannot be seen",
    ("sight_lost", False): "its pumps can be seen",
    ("drill_missed", True): "its last drill was not accepted",
    ("drill_missed", False): "its last drill was accepted",
}
"""What a rule's condition found, for the sentence that says why."""

DRILL_LACKS: Final[Mapping[str, str]] = {
    "back": "the broker did not bring it back",
    "raised": "no rule held",
    "told": "nobody was called",
    "sent": "no carrier has taken it",
    "accepted": "nobody accepted it within {wait}",
}
"""Why a drill was missed, by the first leg of its way that it has not come to."""

SEEN_WITH: Final[Mapping[tuple[str, bool], str]] = {
    ("over_rate", True): "set rate {rate_ml_h}, where its plan allows {highest_rate_ml_h} at most",
    ("losing_charge", True): "battery at {battery_percent} and falling although it is on mains",
}
"""The same where the numbers that it was found by are known."""

MEASURED: Final[Mapping[str, str]] = {
    "battery_percent": "battery at {v}",
    "minutes_left": "about {v} of battery left",
    "rate_ml_h": "set rate {v}",
    "delivered_ml": "delivered {v}",
    "target_ml": "target {v}",
    "shortfall_ml": "{v} behind the plan",
    "shortfall_percent": "{v} of the target behind the plan",
    "unfit_percent": "{v} of the target no longer fits the times of its plan, even at the highest allowed rate",
    "over_target_percent": "{v} over the target",
    "container_hung_for": "container hung for {v}",
    "set_hung_for": "giving set hung for {v}",
}
"""The same of a quantity `{v}`."""

SOUNDING: Final[Mapping[str, str]] = {"inactivated": "without sound", "enabled": "sounding", "": "standing"}
"""How an alarm has been, by the sound that a rule asks for."""

FEED_KIND: Final[Mapping[str, str]] = {
    "closed": "feed in a closed container",
    "decanted": "decanted feed",
    "powder": "feed made up from powder",
    "infant": "infant feed",
}

CONDITIONS: Final[Mapping[str, str]] = {
    "occlusion": "line blocked, side not told",
    "upstream-occlusion": "line blocked before the pump (upstream)",
    "downstream-occlusion": "line blocked after the pump (downstream)",
    "set-misloaded": "giving set does not sit right",
    "battery-depleted": "battery empty",
    "unreadable-alarm": "an alarm that could not be read",
}
"""Plain words where the condition's own are not plain."""

SOUND: Final[Mapping[str, str]] = {
    "enabled": "sounding",
    "audio-paused": "sound paused",
    "audio-off": "sound off",
    "alarm-paused": "sound and light paused",
    "alarm-off": "sound and light off",
    "acknowledged": "acknowledged at the pump",
}  # IEC 60601-1-8 inactivation states

ACTIVITY: Final[Mapping[str, str]] = {
    "held": "held by a person",
    "stopped": "stopped by an alarm condition",
    "idle": "idle, nothing started",
    "finished": "finished",
}
