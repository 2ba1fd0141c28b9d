"""The register of limits: every number that somebody judged and that no setting holds, what it limits, and its origin.

Here stand thresholds, least counts, shares, ranges that are searched and guards against hostile files. Definitions
stay beside their code (constants of standards with their clause, of physics and of mathematics), and so do sizes of
blocks that change no result and the layout of figures, tables and sentences. Ranges of what people enter are declared
with the settings and the columns of the input tables.

A constant has a name that ends in its unit, a value, and one text: what it limits, then "Origin: ..." with a standard
and its clause, a paper, "computed", "simulated", "common practice" (a fact of the trade), "own choice" (of this
project) with the reason, or "from memory" where the source was not at hand. docs/limits.md is made from this file.
"""

from __future__ import annotations

from typing import Final

# Spectra and lines

TONE_MEDIAN_AT_LEAST_LINES: Final = 15
"""Least lines in the median against which a tone is judged; a narrow band borrows lines beyond its edges. Origin: own
choice: a tone fills 5 lines, so two thirds of the median stay noise."""

HANN_HALF_LOBE_LINES: Final = 2
"""Half the main lobe of a Hann window: the lines to either side of its peak that a tone fills. Origin: Harris, Proc.
IEEE 66 (1978) 51."""

TONE_ABOVE_MEDIAN_DB: Final = 10.0
"""A line this far above the median line of its band is a tone. Origin: own choice: noise of 10 averages reaches 4
dB."""

TONE_ABOVE_BACKGROUND_DB: Final = 15.0
"""A tone further above the background's tone is the source's own, with another phase in each run. Origin: own choice:
the margin from which the background is neglected by default."""

LINE_COVARIANCE_REACH_LINES: Final = 8
"""Lines further apart than this are taken as uncorrelated. Origin: computed: the square of the widest window ends
there."""

EFFECTIVE_BITS_EVERY_BLOCKS: Final = 16
"""One block in this many is searched for the lowest bit in use. Origin: own choice: a bit that is never set in
thousands of samples is not used."""

CORRELATION_EVERY_BLOCKS: Final = 8
"""One block in this many counts for the correlation of two channels. Origin: own choice: copies are copies
everywhere."""

REFERENCE_OWN_POWER_SHARE: Final = 1e-6
"""Below this share of the references' mean power, what a reference adds to the others is rounding. Origin: own choice:
some ten roundings of single precision."""

WEAK_BAND_DB: Final = 40.0
"""How far below the overall level the weakest band of use is assumed to lie when the bias of clipping is estimated.
Origin: own choice: third octaves of wall pressure lie 10 to 40 dB below it."""

HIGH_PASS_CORNERS_RATIO: Final = 2.0
"""Bands are used from this multiple of a high-pass filter's corner frequency upwards. Origin: common practice: the
filter takes 1 dB there."""

CHART_ROUNDING_SHARE: Final = 1e-3
"""A chart's first and last frequency may be rounded off a midband by this share. Origin: own choice: frequencies are
written to three or four digits."""


# Filter bank

FILTER_HIGHEST_EDGE_SHARE: Final = 0.4
"""Largest upper band edge as a share of the sample rate that the filter bank takes. Origin: own choice, checked: four
pole pairs keep the class 1 limits of IEC 61260-1:2014 up to it (benchmarks/validate_spectra.py)."""

FILTER_DECIMATED_EDGE_SHARE: Final = 0.25
"""Largest upper band edge as a share of the rate a band is filtered at, up to which three pole pairs serve. The
bilinear transform flattens the lower skirt as a band nears half the rate; bands above it are filtered at the full rate
with `ORDER_NEAR_HALF_RATE` pole pairs. Origin: computed: three pole pairs keep 1 dB from the class 1 limits of IEC
61260-1:2014 at 0.25 and fail them at 0.30."""

FILTER_INTERVAL_SAMPLES: Final = 10
"""Least samples of an averaging interval at a reduced rate. Origin: own choice: places the ends of an interval to 5
%."""

FILTER_SETTLED_BANDWIDTH_TIMES: Final = 5.0
"""A band has settled this many times 1/bandwidth after the start, its decimators' impulse responses not counted.
Origin: computed: the slowest poles of three pole pairs decay as e^(-pi B t / 2), so the start has fallen by 68 dB (with
four by 52 dB, e^(-0.383 pi B t))."""

DECIMATOR_REJECTION_DB: Final = 80.0
"""Alias rejection of a decimator from 3/4 of its new rate on. Origin: own choice: 10 dB more than the farthest limit of
IEC 61260-1:2014, Table 1."""

FILTER_BLOCK_FRAMES: Final = 32768
"""Length of the blocks into which the filter bank cuts every stream. Origin: own choice: a fixed length makes results
independent of how the stream arrives."""

FILTER_LEAST_WEIGHT_RATIO: Final = 1e-10
"""Lines that a band filter weights with a smaller power ratio are left out of the band. Origin: own choice: 100 dB, far
below any dynamic range."""


# Levels over time

FAST_TIME_CONSTANT_S: Final = 0.125
"""Time constant of the time weighting F. Origin: IEC 61672-1:2013, 5.8 (from memory)."""

SLOW_TIME_CONSTANT_S: Final = 1.0
"""Time constant of the time weighting S. Origin: IEC 61672-1:2013, 5.8 (from memory)."""

TIME_WEIGHTING_SETTLED_TIMES: Final = 5.0
"""A time weighting has settled this many time constants after the start. Origin: computed: e^-5 is 0.03 dB."""

TIME_WEIGHTING_STEP_S: Final = 0.002
"""Powers enter the time weightings as means over about this time. Origin: own choice: 1/60 of the time constant of
F."""

HISTORY_SPARE_RATE_RATIO: Final = 1.05
"""Filtered signals are sampled this many times faster than twice their highest frequency. Origin: own choice: what the
spectrum of the squares folds down to then lies far above the time weightings."""

HISTORY_STEP_SAMPLES: Final = 8
"""Least filtered samples of a step and of an interval. Origin: own choice: neither is empty, and both end where they
should."""


# Stationarity within a run

TREND_SEGMENTS: Final = 24
"""Parts of a run whose levels are tested for a trend. Origin: Bendat and Piersol, Random Data (20 to 40)."""

TREND_AT_LEAST_SEGMENTS: Final = 8
"""Fewer parts than this say nothing of a trend. Origin: own choice: with fewer, the normal approximation to the count
of reverse arrangements is poor."""

COMMON_TREND_CHANNELS: Final = 3
"""Least channels whose common trend can be told from their own. Origin: own choice: the median of two is their mean."""

WANDERING_DOF: Final = 5.0
"""Degrees of freedom of the variance that a wandering level leaves in a mean. Origin: own choice: simulated for ten
correlation times in a run; a run cannot tell what wanders more slowly."""

WANDERING_CORRELATION: Final = 0.9
"""A run is too short to estimate wandering where neighbouring parts correlate by more. Origin: own choice: near 1 the
variance of a mean cannot be estimated."""


# Samples: spikes, dropouts, clipping

SPIKE_REFERENCE_BLOCKS: Final = 15
"""Blocks that tell which steps between samples are usual. Origin: own choice: some tenths of a second."""

SPIKE_TIMES_KEPT_SPIKES: Final = 1000
"""Most spikes of a channel whose times are kept. Origin: own choice: a channel with more is of no use, and memory stays
constant."""

STRONG_SPIKE_RATIO: Final = 1.7
"""A jump this many times the limit is strong, and few of them are enough for a doubt. Origin: own choice: noise that
passes the limit by chance stays below it."""

SPIKES_APART_S: Final = 0.001
"""Jumps nearer than this are one spike. Origin: own choice: a jump and the ringing of filters after it are one
event."""


# Mains interference

MAINS_HARMONICS: Final = 8
"""Multiples of the mains frequency that are examined, the mains itself included. Origin: own choice: up to 400 or 480
Hz."""

MAINS_SAMPLE_RATE_HZ: Final = 1600.0
"""Least rate to which samples are averaged before mains lines are sought. Origin: computed: eight harmonics of 60 Hz
need 960 Hz."""

MAINS_BLOCK_S: Final = 1.0
"""Block length of the spectrum in which mains lines are sought. Origin: own choice: lines 1 Hz apart and 1.5 Hz wide
part the mains from its neighbours."""

MAINS_FREQUENCY_SHARE: Final = 0.004
"""Relative spread of the mains frequency. Origin: common practice: 49.8 to 50.2 Hz."""

MAINS_AROUND_FROM_HZ: Final = 4.0
"""Least distance from a mains line of the spectrum that it is compared with. Origin: own choice: beyond the line's own
width."""

MAINS_AROUND_TO_HZ: Final = 12.0
"""Largest distance from a mains line of the spectrum that it is compared with. Origin: own choice: well before the next
harmonic."""

MAINS_LINE_POWER_SHARE: Final = 1e-6
"""A line with a smaller share of the power below 800 Hz is none. Origin: own choice: rounding makes such lines."""

MAINS_AT_LEAST_BLOCKS: Final = 2
"""Least blocks from which a mains line is judged. Origin: own choice: the lines of a single block scatter too much."""


# Background

LOUDER_THAN_BACKGROUND_P: Final = 0.05
"""Chance that any band of a run, however many, is called louder than the background where none is. Origin: own choice
(Bonferroni's correction for many bands)."""

CHI_SQUARE_DOF: Final = 4.0
"""A power with fewer degrees of freedom is treated as normal, not as chi-square. Origin: own choice: for a difference
of powers the approximation by a chi-square is poor there."""

BACKGROUND_PRIOR_DOF: Final = 2.0
"""Degrees of freedom that the stated scatter of backgrounds counts for beside the measured one. Origin: own choice:
little trust in a setting."""

BACKGROUND_SCATTER_P: Final = 0.01
"""Background runs that differ more than by chance at this level are reported. Origin: own choice: one false report in a
hundred."""

MARGIN_SHORTFALL_DB: Final = 1.0
"""How far the lower 95 % end of a margin may fall below the least margin. Origin: own choice: records of 100 effective
averages and more are then judged by the measured margin alone, as in ISO 3744."""

RARE_CHOICE_P: Final = 0.003
"""A method that is chosen more seldom than this widens no interval. Origin: own choice: without it an end at the limit
lies nowhere."""


# Speed scaling and collapse

SAME_SPEED_DB: Final = 0.1
"""Speeds whose ratio, as 10 lg, is smaller count as one. Origin: own choice: 2.3 %, more than achieved speeds scatter
by."""

COLLAPSE_KNOT_BANDS: Final = 1.0
"""Distance of the knots of the collapsed curve. Origin: own choice after simulating 1, 1.5 and 2: at two bands nine of
ten resonances of Q 8 to 20 are missed at two speeds without repeats, half of them at three speeds."""

COLLAPSE_PEAK_GRID_POINTS: Final = 400
"""Points at which the highest point of the collapsed curve is sought. Origin: own choice: about a twentieth of a third
octave apart."""

SLIPPED_LOG_EXPONENTS: Final = (2.0, 9.0)
"""Range of the power of speed with which levels may grow where a log of speeds slipped. Origin: common practice: 4 to 8
for sources in flow, and room on both sides."""

SLIPPED_LOG_CHANGED_ROWS: Final = 3
"""Least rows whose speed a slip of the log must change. Origin: own choice: fewer are single wrong rows or two
exchanged ones."""

SLIPPED_LOG_PART_RUNS: Final = 6
"""Least runs of a part of the log that may have slipped. Origin: own choice, see tests/acoustics/test_log_shift.py: a
shorter part explains other faults too well."""

SLIPPED_LOG_SPARE_RUNS: Final = 4
"""Least runs beyond the number of fitted values. Origin: own choice: with fewer, a good fit says nothing."""

SLIPPED_LOG_RESIDUAL_RATIO: Final = 3.0
"""A slip of the log must divide the rms residual by at least this. Origin: own choice: simulated, see
tests/acoustics/test_log_shift.py."""

OUTLIER_LINE_SPEEDS: Final = 4
"""Least speeds that fix a line over speed well enough to call one run an outlier. Origin: own choice: of three points
each fits a line of the two others."""


# Levels across runs

MIRROR_ALIKE_LIMIT_SHARE: Final = 0.5
"""Levels of one side at opposite angles count as equal within this share of the limit. Origin: own choice: half of the
limit stays for the other side."""

MIRROR_HISTORY_DIFFERENCES: Final = 2
"""Least other differences of a mirrored pair that make a history. Origin: own choice: one alone may be the exchanged
one."""
