"""Every reason code: what it says of the channel, what it means and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "doubtful", "unusable"]
ORDER: dict[str, int] = {"good": 0, "doubtful": 1, "unusable": 2}


@dataclass(frozen=True)
class Reason:
    """One reason code with the verdict it leads to (`good`: a note), its meaning and the next action.

    `of_level` says that the level itself is doubted, not only how it was made: see `quality/use_of_levels.py`.
    """

    code: str
    verdict: Verdict
    meaning: str
    action: str
    of_level: bool = False


_ALL = (
    Reason("recording-missing", "unusable", "the recording is not there", "find the file or correct its path"),
    Reason("recording-empty", "unusable", "the recording holds no samples", "find the right file or repeat the run"),
    Reason("recording-unreadable", "unusable", "the file cannot be decoded", "copy it again from the recorder"),
    Reason("recording-cut", "unusable", "the file ends before its header or layout says", "copy it again or repeat"),
    Reason("still-changing", "unusable", "the file changed while it was read", "let it be finished, then run again"),
    Reason("parts-differ", "unusable", "parts of a split recording do not fit together", "check the list of parts"),
    Reason("part-beyond-recording", "unusable", "start_s or stop_s lie outside the recording", "correct the run table"),
    Reason(
        "channel-missing", "unusable", "the recording has fewer channels than are fitted", "check the recorder set-up"
    ),
    Reason("too-short", "unusable", "shorter than one averaging block", "record longer or ask for coarser lines"),
    Reason("no-sensitivity", "unusable", "neither checks nor chart give a sensitivity", "calibrate the sensor"),
    Reason("full-scale-unknown", "unusable", "integer samples without full_scale_v", "fill in full_scale_v"),
    Reason("not-finite", "unusable", "samples are no finite numbers", "check the recorder's export"),
    Reason(
        "impossible-level",
        "unusable",
        "the samples are larger than a sound pressure can be",
        "check gain, full scale, sensitivity and the recorder's export",
    ),
    Reason("dead", "unusable", "the channel shows no signal", "check sensor, cable and conditioner"),
    Reason(
        "silent", "unusable", "the channel hears nothing in this run", "check sensor, cable and conditioner; repeat"
    ),
    Reason("overload", "unusable", "samples stick at the end of the range", "repeat the run with less gain"),
    Reason(
        "overload-brief",
        "doubtful",
        "few samples stick at the end of the range",
        "leave the moment out, or repeat the run with less gain",
    ),
    Reason("at-full-scale", "good", "single samples reach the end of the range", "use less gain in the next runs"),
    Reason("limiting", "unusable", "samples stick at a value below full scale", "check the conditioner's supply"),
    Reason(
        "limiting-brief",
        "doubtful",
        "few samples stick at a value below full scale",
        "check the conditioner's supply",
    ),
    Reason("dropout", "doubtful", "the signal stands still for moments", "check recorder and cable"),
    Reason("dropout-long", "unusable", "the signal stands still for a large part", "check recorder and cable, repeat"),
    Reason("spikes", "doubtful", "the signal jumps", "check cable and plug for a loose contact", of_level=True),
    Reason("same-signal", "unusable", "two channels carry one signal", "check cables and the recorder's routing"),
    Reason(
        "hum",
        "doubtful",
        "mains lines stand out",
        "check grounds; leave out these lines in left_out.csv",
        of_level=True,
    ),
    Reason(
        "unsteady",
        "doubtful",
        "the level changes over the run",
        "use start_s and stop_s, or repeat the run",
    ),
    Reason("drifting-offset", "doubtful", "the mean wanders", "look for moisture; let the conditioner warm up"),
    Reason("unusual-distribution", "doubtful", "unusual amplitude distribution", "listen to it; check sensor and tape"),
    Reason("unused-bits", "good", "lower bits are never set", "nothing, if the recorder is known to do so"),
    Reason("coarse-steps", "good", "few converter steps for the signal", "use more gain where the level matters"),
    Reason(
        "outlier-level",
        "doubtful",
        "one channel is off in this run",
        "check sensor, tape and gain before more runs",
        of_level=True,
    ),
    Reason(
        "gain-step",
        "doubtful",
        "off by a usual step of gain",
        "enter the run's gain_db, or repeat the run",
        of_level=True,
    ),
    Reason(
        "gain-contradicted",
        "unusable",
        "the repeats contradict the run's own gain, the fitting's fits",
        "correct gain_db in the run table, or set the verdict in the overrides table",
    ),
    Reason(
        "off-speed",
        "doubtful",
        "the run's level is off its repeats",
        "check the row of the run log; repeat",
        of_level=True,
    ),
    Reason(
        "log-shifted",
        "doubtful",
        "the levels fit the run log's rows before or after",
        "check which recording belongs to which row",
        of_level=True,
    ),
    Reason(
        "outlier-in-area", "doubtful", "far from the others of its area", "check the sensor; or give it another area"
    ),
    Reason("at-floor", "doubtful", "no more than without wind", "check sensor and cable", of_level=True),
    Reason("overruled", "good", "somebody set the verdict by hand", "see the overrides table"),
    Reason(
        "no-check-before", "doubtful", "no usable check before the runs", "calibrate the sensor before the next runs"
    ),
    Reason("no-check-after", "doubtful", "no usable check after the runs", "calibrate the sensor again"),
    Reason(
        "no-check", "doubtful", "no usable check in this session", "calibrate the sensor; the chart's value was used"
    ),
    Reason("no-chart", "doubtful", "the sensor table gives no sensitivity", "enter the chart's sensitivity"),
    Reason(
        "chosen-source-missing", "doubtful", "the chosen source of the sensitivity is not there", "see the evidence"
    ),
    Reason(
        "deviation", "doubtful", "the sensitivity is off the chart by more than the limit", "look for leak or damage"
    ),
    Reason(
        "deviation-unconfirmed",
        "doubtful",
        "the sensitivity is off the chart and no second check confirms it",
        "calibrate the sensor again",
    ),
    Reason(
        "drift",
        "doubtful",
        "before and after differ by more than the limit",
        "repeat the runs in between",
        of_level=True,
    ),
    Reason("small-drift", "good", "before and after differ a little", "nothing; watch the sensor in later sessions"),
    Reason(
        "not-linear",
        "doubtful",
        "calibrators of different level give different sensitivities",
        "look for overload and noise; check the calibrators' levels",
    ),
    Reason(
        "tone-range",
        "good",
        "the calibrator's tone is too near full scale or too far below",
        "set the gain so that the tone lies in the range asked for",
    ),
    Reason(
        "static-pressure-missing", "doubtful", "closed coupler without static pressure", "enter static_pressure_hpa"
    ),
    Reason(
        "no-tone",
        "doubtful",
        "no calibrator tone was found where one was expected",
        "check which sensor the calibrator was on",
    ),
    Reason("not-listed", "doubtful", "the tone is on a channel that the run table does not list", "check the cables"),
    Reason(
        "calibrator-on-another-channel",
        "doubtful",
        "the calibrator was on another channel than was due",
        "check cables and fittings of the two",
    ),
    Reason(
        "swapped",
        "doubtful",
        "two channels were calibrated in each other's place",
        "check cables and fittings of the two",
    ),
    Reason(
        "exchanged",
        "doubtful",
        "the check is another sensor's, or that cannot be ruled out",
        "check cables and fittings of the two; calibrate them again",
    ),
    Reason(
        "exchange-undecided",
        "doubtful",
        "two sensors are exchanged in a check and nothing tells in which",
        "refuse the wrong check in the overrides table",
        of_level=True,
    ),
    Reason(
        "positions-exchanged",
        "doubtful",
        "two positions may be exchanged in the whole session",
        "check cables and fittings of the two; correct the fittings table",
        of_level=True,
    ),
    Reason("refused-by-hand", "good", "somebody refused the check", "see the overrides table"),
    Reason("counted-by-hand", "good", "somebody lets the check count", "see the overrides table"),
    Reason("doubted-by-hand", "doubtful", "somebody doubts the check", "see the overrides table", of_level=True),
    Reason("calibrated-twice", "good", "the calibrator was on the channel in two turns", "nothing, if that was meant"),
    Reason(
        "other-order",
        "good",
        "the calibrator was not applied in the order of the list",
        "list the positions as they were calibrated",
    ),
    Reason(
        "applications-differ",
        "doubtful",
        "two applications of the calibrator to the channel differ",
        "calibrate again; look at adapter and fit",
    ),
    Reason(
        "other-application-refused",
        "good",
        "a longer application of the calibrator was refused, a shorter one is used",
        "nothing, if the one used was meant",
    ),
    Reason(
        "leak-or-application",
        "doubtful",
        "an unlisted tone on a sensor of unstated sensitivity",
        "list the position, or state the sensitivity",
    ),
    Reason(
        "checks-differ",
        "doubtful",
        "checks of the same stage differ",
        "see which application was bad; calibrate again if you can",
    ),
    Reason(
        "tone-on-two-channels",
        "doubtful",
        "two channels carried the tone at once",
        "calibrate one at a time; check the routing",
    ),
    Reason(
        "background-tone",
        "doubtful",
        "hum at the calibrator's frequency moves the level",
        "mend the grounds, or use a calibrator of another frequency",
    ),
    Reason(
        "tone-not-finite",
        "doubtful",
        "samples of a calibrator recording are no finite numbers",
        "check the recorder's export",
    ),
    Reason(
        "contradicted",
        "unusable",
        "the checks contradict the sensor table and nothing tells which is right",
        "correct the gain, full scale or sensitivity entered",
    ),
    Reason("wrong-tone", "doubtful", "the tone is another calibrator's", "correct the calibrator in the run table"),
    Reason(
        "level-off", "doubtful", "the tone's level is far from what the chart lets expect", "check the gains entered"
    ),
    Reason(
        "leak",
        "doubtful",
        "the tone is low and unsteady, as through a leak",
        "seat the coupler anew and calibrate again",
    ),
    Reason("too-short-tone", "doubtful", "the tone's steady part is too short", "leave the calibrator on longer"),
    Reason(
        "off-frequency", "doubtful", "the tone is off the calibrator's frequency", "check which calibrator was used"
    ),
    Reason("noisy-tone", "doubtful", "too little tone above the noise", "calibrate in a quieter moment"),
    Reason("unsteady-tone", "doubtful", "the tone's level wanders", "seat the coupler anew and calibrate again"),
    Reason("distorted-tone", "doubtful", "too many harmonics in the tone", "look for overload; check the calibrator"),
    Reason("clipped-tone", "doubtful", "the tone's crests are cut off", "calibrate again with less gain"),
    Reason(
        "chart-misses-tone",
        "good",
        "the chart does not reach the calibrator's frequency",
        "extend the chart if you can",
    ),
    Reason("common-shift", "doubtful", "all sensors moved together", "check calibrator and air pressure"),
    Reason(
        "common-deviation", "doubtful", "all sensors are off their charts alike", "check calibrator, adapter and gain"
    ),
    Reason("charts-exchanged", "doubtful", "two sensors fit each other's charts", "check the fittings of the two"),
    Reason("chart-old", "good", "the chart is older than the limit", "have the sensor calibrated"),
    Reason("chart-newer", "good", "the chart was made after the runs", "see whether the sensor was altered in between"),
    Reason(
        "serial-differs", "doubtful", "serial numbers of sensor, chart and data sheet differ", "find the right papers"
    ),
    Reason("dates-differ", "good", "dates of sensor table and data sheet differ", "enter the later calibration"),
    Reason("actuator-response", "good", "the chart is no pressure response", "ask for the pressure response"),
    Reason("free-field-response", "doubtful", "the chart is a free-field response", "use the pressure response"),
    Reason("data-sheet-unreadable", "doubtful", "the electronic data sheet cannot be trusted", "read it out again"),
)
REASONS: dict[str, Reason] = {reason.code: reason for reason in _ALL}


def worst(codes: list[str] | tuple[str, ...]) -> Verdict:
    """The verdict that a list of reason codes leads to."""
    verdicts = [REASONS[code].verdict for code in codes]
    return max(verdicts, key=ORDER.__getitem__, default="good")


UNFIT_CHECKS = frozenset(
    {
        "too-short-tone",
        "unsteady-tone",
        "off-frequency",
        "noisy-tone",
        "distorted-tone",
        "clipped-tone",
        "wrong-tone",
        "level-off",
        "leak",
        "leak-or-application",
        "not-listed",
        "calibrator-on-another-channel",
        "exchanged",
        "refused-by-hand",
    }
)
"""Reasons that make a calibrator check unfit to give a sensitivity."""

FILE_FAULTS = frozenset(
    {
        "recording-missing",
        "recording-empty",
        "recording-unreadable",
        "recording-cut",
        "still-changing",
        "parts-differ",
        "part-beyond-recording",
        "channel-missing",
        "full-scale-unknown",
    }
)
"""Faults of a recording as a whole or of what the tables say of it, not of a sensor."""
