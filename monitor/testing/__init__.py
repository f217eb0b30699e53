"""For tests, ours and integrators': a ward on a bench, under a clock that is moved by hand.

    bench = Bench()
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("downstream-occlusion")])
    bench.at("00:05:30")                       # five and a half minutes after the bench's start
    bench.assert_told("nurse-1")               # unattended for 5 min
    print(bench.accept("nurse-1", "pump-1"))
    bench.snapshot("pump-1", activity="feeding", alarms=[])
    bench.pass_by("90 s")
    bench.assert_settled("pump-1", "unattended")

It is the real engine: messages go in as bytes of the contract, what it stores goes through JSON text, notices go to
recording carriers, and `restart` begins anew from what was stored. Nothing is slept for. `ward` gives a site to begin
with; give `Bench` your own to test your rules, ladders and people.

A carrier of your own: `folder_carrier` is an example of a plug-in; `carrier_contract` has what every carrier promises,
as checks to run against yours.
"""

from monitor.testing.bench import Bench
from monitor.testing.recorders import Kept, ManualClock, RecordingCarrier, Told
from monitor.testing.ward import START, alarm, ward

__all__ = ["START", "Bench", "Kept", "ManualClock", "RecordingCarrier", "Told", "alarm", "ward"]
