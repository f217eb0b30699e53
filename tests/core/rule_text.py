"""Rule files for the tests, made of parts that a test can change."""

from __future__ import annotations

from monitor.core.rulebook import CompiledRule, parse, resolve

LASTING = """\
id = "made-up"
sentence = "A made-up rule for the tests."
hazard = "None: nobody is fed by it."
about = "alarms"
pattern = "lasting"
memory = "each"

[[when]]
alarm = { priority = ["medium", "high"] }
for = "patience"
bridging = "gap"
priority = "alarm"

[thresholds.patience]
value = "100 ms"
looser = "higher"
reason = "Short, so that tests are."
source = "made up"

[thresholds.gap]
value = "30 ms"
looser = "lower"
reason = "Short, so that tests are."
source = "made up"

[checks]
first = ["Look."]

[[traces]]
name = "fires"
until = "1 s"
holds = ["100 ms"]
steps = [{ at = "0 s", alarms = [{ condition = "occlusion" }] }]

[[traces]]
name = "stays quiet"
until = "1 s"
steps = [{ at = "0 s", activity = "feeding" }]
"""

LASTS = 'for = "patience"\nbridging = "gap"\npriority = "alarm"'
RECURS = 'times = "times"\nwithin = "patience"\nquiet = "gap"\npriority = "low"'
TIMES = '[thresholds.times]\nvalue = 2\nlooser = "higher"\nreason = "Twice is again."\nsource = "made up"'
FIRES = 'holds = ["100 ms"]\nsteps = [{ at = "0 s", alarms = [{ condition = "occlusion" }] }]'
ONSETS = """\
holds = ["50 ms"]
steps = [
    { at = "0 s", alarms = [{ condition = "occlusion" }] },
    { at = "50 ms", alarms = [{ condition = "occlusion", since = "50 ms" }] },
]"""

RECURRING = (
    LASTING.replace('"lasting"', '"recurring"')
    .replace(LASTS, RECURS)
    .replace("[checks]", f"{TIMES}\n\n[checks]")
    .replace(FIRES, ONSETS)
)

SILENT = (
    LASTING.replace('"lasting"\nmemory = "each"', '"silent"')
    .replace('alarm = { priority = ["medium", "high"] }', 'condition = { field = "feed_due", is = true }')
    .replace(LASTS, 'for = "patience"\npriority = "medium"')
    .replace('activity = "feeding"', 'activity = "idle"')
    .replace(FIRES, 'holds = ["100 ms"]\nsteps = [{ at = "0 s", activity = "feeding" }]')
)


def rule(text: str = LASTING, **overrides: str | int) -> CompiledRule:
    """A compiled rule, with a site's thresholds."""
    return resolve(parse(text, "made-up.toml"), overrides=overrides)


def changed(text: str, old: str, new: str) -> str:
    """A rule file with one thing changed, which must be there exactly once."""
    assert text.count(old) == 1, (old, text.count(old))
    return text.replace(old, new)
