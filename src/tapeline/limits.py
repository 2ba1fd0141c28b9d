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

TONE_CONTINUOUS_OCTAVES: Final = 1.0 / 3.0
"""Width of the running median that the continuous spectrum is. Origin: common practice: a third octave."""

TONE_CONTINUOUS_LEAST_HALF_LINES: Final = 10
"""Lines to either side in the running median where a third octave holds fewer. Origin: own choice: of 21 lines a tone
fills 5, and the second pass leaves it out."""

TONE_BUNDLE_EDGE_P: Final = 0.01
"""A tone's bundle goes on while noise exceeds its lines by this chance; a tone that is looked for at one place counts
from there. Origin: own choice: one in a hundred."""

TONE_VALLEY_RATIO: Final = 2.0
"""A bundle ends where the next line is so many times larger again: another tone begins. Origin: own choice: noise of 10
averages seldom rises by 3 dB from line to line."""

TONE_RESOLVED_WIDTH_RATIO: Final = 2.0
"""A tone's width at half power is given from so many noise bandwidths of the window on. Origin: computed: a steady tone
has 1.4 at most, with noise in it less than 2."""

TONE_UNRESOLVED_WIDTH_RATIO: Final = 2.7
"""A bundle no wider than so many noise bandwidths counts as narrow at any frequency. Origin: own choice: the lines
cannot tell a tone from what is as wide."""

TONE_FREQUENCY_LEAST_LINES: Final = 0.03
"""Least standard uncertainty of a tone's frequency, in line spacings. Origin: own choice: no speed or tone is steadier
over a run, in lines."""

TONE_PERSISTENCE_FROM_DB: Final = 10.0
"""Prominence from which on the spread of a tone's line tells how long it lasts. Origin: computed: below it the noise
has a fifth of the spread."""

TONE_BACKGROUND_NEAR_SHARE: Final = 0.01
"""How far from a run's tone, as a share of its frequency, the background's counts as the same. Origin: own choice: run
and background differ by less in speed, and so does a fan."""

TONE_OWN_ABOVE_BACKGROUND_DB: Final = 6.0
"""A tone this far above the background's is the source's own. Origin: own choice: three quarters of its power and more
are not the background's."""

TONE_SAME_SHARE: Final = 0.015
"""How far tones of repeats may lie apart, as a share of their frequency. Origin: own choice: repeats differ by less in
speed."""

TRACK_WITHIN_SHARE: Final = 0.03
"""How far a tone may lie from where its track goes on at the next speed, as a share of its frequency. Origin: own
choice: compressibility and lock-in bend a track by less from speed to speed, and modes lie further apart."""

TRACK_MOST_MISSING_SPEEDS: Final = 1
"""Speeds in a row at which a track may have no tone. Origin: own choice: over two a chance meeting is likely."""

TRACK_STEP_AT_LEAST_SHARE: Final = 0.1
"""Least change of f/U from one track to the next that is a step between modes. Origin: computed: the fifth mode of a
shear layer has 1.27 times the frequency of the fourth."""

TRACK_LAW_SCATTER_SHARE: Final = 0.01
"""How far tones lie off a power law of speed, as a share of their frequency. Origin: own choice: lock-in and
compressibility."""

TRACK_TWO_SPEEDS_SCATTER_SHARE: Final = 0.03
"""The same where there are two speeds, at which nothing shows whether there is such a law. Origin: own choice: as far
as a tone may lie from its track."""

TRACK_EXPONENT_NEAR_EXPONENTS: Final = 0.15
"""How far from 1 (or 0) an exponent is still that of the flow (of what stays). Origin: computed: shear-layer tones have
0.92 at a Mach number of 0.15."""

TRACK_EXPONENT_WITHIN_EXPONENTS: Final = 0.5
"""How far from 1 (or 0) the interval of an exponent may reach for that word. Origin: computed: beyond it the other word
is as near."""

SWEEP_LEAST_SPEEDS: Final = 3
"""Least speeds in one direction that are a sweep. Origin: own choice: two in order are any two runs."""

SHEAR_LAYER_MODES_ROUNDS: Final = 4
"""Vortices between the edges of a cavity, at most, that its shear-layer modes are given for. Origin: common practice:
published cavities show up to four modes."""

DEPTH_MODES_ROUNDS: Final = 3
"""Depth modes of a cavity that are given. Origin: own choice: higher ones are weak in a flow."""

WIDTH_MODES_ROUNDS: Final = 8
"""Modes across a gap that are given, at most. Origin: own choice: beyond them their bands touch."""

DEPTH_MODE_MOST_LENGTH_RATIO: Final = 2.0
"""Length over depth up to which a cavity has depth modes. Origin: from memory: the formula for the mouth was fitted to
deep cavities."""

MODE_BANDS_APART_SHARE: Final = 0.25
"""Largest standard uncertainty of a mode, as a share of its distance from the order before. Origin: computed: with
more, bands of two standard uncertainties fill what is between them."""

AIR_SOUND_SPEED_SHARE: Final = 0.002
"""Relative standard uncertainty of the speed of sound in a cavity where the air's temperature is stated. Origin: own
choice: 1 K between it and the thermometer."""

UNKNOWN_AIR_SOUND_SPEED_SHARE: Final = 0.017
"""The same where no temperature is stated. Origin: own choice: 10 K."""

SHEAR_LAYER_LAGS_VALUES: Final = ((4.0, 0.25), (6.0, 0.38), (8.0, 0.54), (10.0, 0.58))
"""Length over depth of a cavity and the lag of its feedback; between them it is interpolated, deeper ones have the
first. Origin: from memory: Rossiter, ARC R&M 3438 (1964)."""

SHEAR_LAYER_LAG_UNCERTAINTY_UNITS: Final = 0.05
"""Standard uncertainty of that lag. Origin: from memory: fits of published cavities scatter so."""

CONVECTION_UNCERTAINTY_RATIO: Final = 0.03
"""Standard uncertainty of the speed of vortices over that of the flow. Origin: from memory: fits of published cavities
scatter so about 0.57."""

UNFLANGED_END_RATIO: Final = 0.6133
"""End correction of a neck that ends freely, in its radii. Origin: from memory: Levine and Schwinger (1948)."""

MOUTH_DEPTH_RATIO: Final = 0.65
"""What its mouth adds to the depth of a cavity as long as deep, in depths. Origin: from memory: East, J. Sound Vib. 3
(1966)."""

MOUTH_EXPONENT: Final = 0.75
"""How that grows with length over depth. Origin: from memory: East (1966)."""

MOUTH_UNCERTAINTY_SHARE: Final = 0.2
"""Standard uncertainty of that addition, as a share of it. Origin: own choice: it was fitted to few cavities."""

TONE_ALONE_FROM_DB: Final = 8.0
"""Prominence from which on a tone of a single run is believed without a repeat. Origin: computed: noise of 5 averages
reaches 7 dB in one spectrum of a hundred."""

LINE_COVARIANCE_REACH_LINES: Final = 8
"""Lines further apart than this are taken as uncorrelated. Origin: computed: the square of the widest window ends
there."""

HIGHEST_LINE_RATE_SHARE: Final = 0.45
"""Harmonics above this share of the sample rate are not examined. Origin: own choice: there anti-aliasing filters
cut."""

WHOLE_NUMBER_WITHIN_UNITS: Final = 1e-9
"""A count of blocks, lines or intervals this near to a whole number is that number. Origin: own choice: far above
rounding, far below one."""

LOOK_HIGHEST_RATE_SHARE: Final = 0.4
"""Highest line, as a share of the sample rate, of the levels that `tapeline look` prints. Origin: common practice: the
anti-aliasing filter needs the rest."""

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

NOMINAL_MIDBAND_RATIO: Final = 1.01
"""Ratio within which a stated range still includes a band's exact midband. Origin: ISO 266: nominal midbands lie up to
1 % off the exact ones."""


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

EXCEEDED_LEVELS_PCT: Final = (5.0, 10.0, 50.0, 90.0, 95.0)
"""Percentages of the time for which the levels L5 to L95 are exceeded. Origin: common practice."""

HISTORY_FILTER_BLOCK_S: Final = 0.25
"""Block length of the weighting filter of the level history. Origin: own choice: long against the slowest part of A and
C, 8 ms at 20.6 Hz."""

HISTORY_SHARED_BLOCK_S: Final = 0.1
"""From this length on, the blocks of the averaged spectra serve the level history too. Origin: own choice: still long
against those 8 ms."""


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

TREND_STANDARD_ERRORS: Final = 3.0
"""A trend counts from this many of its standard errors on. Origin: own choice: the usual three."""

WHOLE_TREND_RATIO: Final = 1.5
"""A change of the level of all channels counts from this many times the limit of one channel on. Origin: own choice:
gusts move all channels by up to 3 dB."""


# Samples: spikes, dropouts, clipping

SPIKE_REFERENCE_BLOCKS: Final = 15
"""Blocks that tell which steps between samples are usual. Origin: own choice: some tenths of a second."""

KEPT_SPIKES: Final = 1000
"""Most spikes of a channel whose times are kept. Origin: own choice: a channel with more is of no use, and memory stays
constant."""

STRONG_SPIKE_RATIO: Final = 1.7
"""A jump this many times the limit is strong, and few of them are enough for a doubt. Origin: own choice: a few strong
jumps tell as much as many weak ones."""

SPIKES_APART_S: Final = 0.001
"""Jumps nearer than this are one spike. Origin: own choice: a jump and the ringing of filters after it are one
event."""

DOUBTED_AT_LEAST_SPIKES: Final = 10
"""Fewer jumps than this may be chance in a short run. Origin: own choice: a rate from ten counts is known to a
third."""

DROPOUT_AT_LEAST_SAMPLES: Final = 16
"""Fewer equal samples in a row are no dropout at any sample rate. Origin: own choice: quiet channels of few bits repeat
some samples by nature."""

DROPOUT_CONVERTER_STEPS: Final = 0.5
"""Where samples move by less (rms), repeated values are no dropout. Origin: own choice: rounding alone repeats
values."""

LONG_DROPOUT_TIME_SHARE: Final = 0.01
"""Dropouts over a larger share of the time make a channel unusable. Origin: common practice: 1 % moves the level by
less than 0.05 dB."""

LIMITING_FLAT_TOPS: Final = 3
"""Flat tops at one value below full scale from which on a channel counts as limited. Origin: own choice: one may be
chance."""

LIMITING_CONVERTER_STEPS: Final = 64.0
"""Smaller peaks are not tested for limiting. Origin: own choice: peaks of few converter steps repeat values by
nature."""

ROUND_CREST_SHARE: Final = 0.2
"""A crest with this share of samples one converter step below it is round, not cut. Origin: computed: a slow clean sine
has 0.4, a cut one 0."""

CLIPPED_SINGLE_SAMPLES: Final = 10
"""Single samples at full scale that are overload even without a flat top. Origin: own choice: fewer may be crests that
just reach full scale."""

FULL_SCALE_SLACK_CONVERTER_STEPS: Final = 1.5
"""A sample this near to full scale counts as at full scale. Origin: common practice: some converters clip one step
below their end."""

EXTREME_CONVERTER_STEPS: Final = 1.5
"""A sample this near to its channel's extreme value counts as at it. Origin: own choice: a limited signal still moves
by one step."""

IMPOSSIBLE_SAMPLE_RATIO: Final = 2.0
"""A sample this many times the impossible rms is no pressure. Origin: own choice: the mean of an absolute sensor, the
air pressure, stays below."""

DEAD_CONVERTER_STEPS: Final = 0.5
"""A smaller standard deviation is no signal. Origin: own choice: rounding noise has 0.3 steps."""

COARSE_CONVERTER_STEPS: Final = 3.0
"""Below this standard deviation rounding noise may show. Origin: from memory: rounding is white only while the step
stays below a third of the standard deviation."""


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

MAINS_SINGLE_LINE_HARMONICS: Final = 2
"""Up to this harmonic one line alone is mains interference; of higher ones there must be two. Origin: own choice:
rectifiers give the mains or its double."""

MAINS_BANDS_POWER_SHARE: Final = 0.05
"""A sum of bands is doubted where the bands with mains interference carry this share of its power. Origin: own choice:
0.2 dB."""


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

SAME_GAIN_DB: Final = 0.01
"""Gains that differ by less are the same entry, rounded. Origin: own choice: gains are entered to a hundredth of a
decibel."""


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
"""Least runs of a part of the log that may have slipped. Origin: own choice, see
tests/acoustics/test_run_log_offset.py: a shorter part explains other faults too well."""

SLIPPED_LOG_SPARE_RUNS: Final = 4
"""Least runs beyond the number of fitted values. Origin: own choice: with fewer, a good fit says nothing."""

SLIPPED_LOG_RESIDUAL_RATIO: Final = 3.0
"""A slip of the log must divide the rms residual by at least this. Origin: own choice: simulated, see
tests/acoustics/test_run_log_offset.py."""

OUTLIER_LINE_SPEEDS: Final = 4
"""Least speeds that fix a line over speed well enough to call one run an outlier. Origin: own choice: of three points
each fits a line of the two others."""

EXPONENT_SPEED_RATIO: Final = 1.05
"""Least ratio of the highest to the lowest nominal speed for an exponent. Origin: own choice: 5 % are 0.2 dB for each
unit of the exponent."""

LEVEL_LEAST_UNCERTAINTY_DB: Final = 0.01
"""Least standard uncertainty of a level in a fit over speed. Origin: own choice: tables round to it."""


# Levels across runs

OTHERS_ABOVE_FLOOR_DB: Final = 10.0
"""Where most channels stand this far above their floors, one at its floor is suspect. Origin: own choice: their floor
adds less than 0.5 dB."""

FLOOR_MARGIN_DB: Final = 3.0
"""Nearer than this to its wind-off level a channel shows nothing of the flow. Origin: computed: half of its power is
floor."""

PEERS_LIMIT_SHARE: Final = 0.5
"""Other positions serve as reference where they lie within this share of the limit. Origin: own choice: half of the
limit stays for the channel under test."""

USUAL_EXPONENT: Final = 5.0
"""Power of speed with which levels are compared where nothing can be fitted. Origin: from memory: wall pressure 4 to
6."""

GAIN_EXPLAINS_LIMIT_SHARE: Final = 0.5
"""A gain explains a level that it brings within this share of the limit. Origin: own choice: half of the limit."""

USUAL_GAIN_STEPS_DB: Final = (6.0, 10.0, 12.0, 20.0)
"""Usual gain steps of conditioners and recorders. Origin: common practice (6.02 and 12.04 dB rounded)."""

NEAR_GAIN_STEP_DB: Final = 0.8
"""A difference this near to a usual gain step looks like one. Origin: own choice: repeats scatter by some tenths."""

OUTLIER_AT_LEAST_RUNS: Final = 3
"""Least runs among which one can be an outlier. Origin: own choice: of two runs that differ nobody can say which is
wrong."""

PATTERN_AT_LEAST_POSITIONS: Final = 3
"""Least positions whose levels make a pattern. Origin: own choice: two positions have one difference only."""

SAME_SPEED_RATIO: Final = 1.02
"""Speeds within this ratio are one. Origin: own choice: the usual tolerance of operating points."""

SAME_SHAPE_DB: Final = 3.0
"""Up to this 20 lg of the ratio of root-mean-square frequencies a spectrum has its repeats' shape. Origin: own choice:
repeats scatter by some tenths of a decibel, noise of electronics is off by 10 dB and more."""

WHITE_SPECTRUM_HALF_RATE_SHARE: Final = 0.4
"""From this root-mean-square frequency over half the sample rate a spectrum is as flat as noise of electronics. Origin:
own choice: by its steps between samples white noise has 0.5."""

HIGH_FREQUENCIES_KEPT_DB: Final = 6.0
"""Where high frequencies fall by less, the channel still measures them. Origin: own choice: half the pressure."""

MIRROR_ALIKE_LIMIT_SHARE: Final = 0.5
"""Levels of one side at opposite angles count as equal within this share of the limit. Origin: own choice: half of the
limit stays for the other side."""

MIRROR_HISTORY_DIFFERENCES: Final = 2
"""Least other differences of a mirrored pair that make a history. Origin: own choice: one alone may be the exchanged
one."""


# Calibrator recordings: finding the applications

TONE_BLOCK_S: Final = 0.1
"""Length of the half-overlapped blocks in which a calibrator tone is followed. Origin: own choice: 25 periods at 250
Hz."""

TONE_NOISE_OCTAVES: Final = 1.0
"""Width of the band about a calibrator tone in which noise is measured. Origin: own choice: noise further away is none
of the tone's."""

TONE_SETTLED_DB: Final = 0.03
"""A block this near to the median counts as settled however small the scatter. Origin: own choice: a tenth of a class
limit."""

TONE_SETTLED_MEDIAN_DEVIATIONS: Final = 6.0
"""A block within this many median deviations of the median counts as settled. Origin: own choice: four standard
deviations of a normal scatter."""

SINE_FIT_SAMPLES: Final = 16
"""Least samples of a sine fit. Origin: own choice: four times its unknowns."""

SINE_FIT_HARMONICS: Final = 5
"""Highest harmonic of a tone that is fitted with it. Origin: own choice: the distortion of calibrators lies in the
lowest."""

SINE_FIT_SETTLED_SHARE: Final = 1e-9
"""A sine fit ends where a round moves the frequency by a smaller share. Origin: own choice: far below any
uncertainty."""

SINE_SEARCH_LINES: Final = 3.0
"""Least distance from the nominal frequency, in lines of the samples' length, within which the tone is sought. Origin:
own choice: a Hann window's main lobe and one line more."""

CALIBRATED_CHANNEL_ABOVE_OTHERS_DB: Final = 6.0
"""The calibrated channel stands at least this far above every other one. Origin: own choice: leakage lies 20 dB and
more below."""

BLOCK_TONE_TO_NOISE_DB: Final = 10.0
"""Blocks with a smaller ratio of tone to noise are handling, not calibration. Origin: own choice: a calibrator's tone
stands far above noise."""

EXPECTED_TONE_WITHIN_DB: Final = 12.0
"""How far a tone may lie from the level that the tables let expect. Origin: own choice: an application not found within
it is sought at any level."""

UNSTATED_SENSITIVITY_WITHIN_DB: Final = 60.0
"""How far an unstated sensitivity may lie from 10 mV/Pa. Origin: own choice: 0.01 mV/Pa to 10 V/Pa."""

UNSTATED_SENSITIVITY_V_PER_PA: Final = 0.01
"""Sensitivity around which an unstated one is sought. Origin: own choice: the middle of that range."""

SUSTAINED_TONE_S: Final = 0.5
"""A level counts as a channel's loudest where it lasts this long. Origin: own choice: shorter than any calibrator
application of use."""

JOINED_GAP_S: Final = 0.3
"""Blocks lost to a knock for no longer than this do not end an application. Origin: own choice: some blocks."""

SHORTEST_APPLICATION_S: Final = 0.5
"""A shorter tone is a slip of the hand, not a calibrator application. Origin: own choice: nobody reads a level from
less."""

TONE_STOP_DB: Final = 10.0
"""A tone that falls by less outside of a channel's applications is mains interference or the like. Origin: own choice:
the tone of a calibrator that is taken off falls much further."""

OUTSIDE_AT_LEAST_S: Final = 1.0
"""Least time outside of the applications in which the fall of the tone can be measured. Origin: own choice: ten lengths
of a block."""

FAINT_TONE_DB: Final = -30.0
"""A tone all through a recording that is lower than this against the expected level is no calibrator. Origin: own
choice: a factor of 30 in pressure."""

QUIET_PIECE_S: Final = 0.5
"""Length of a quiet piece in which the tone is sought without the calibrator. Origin: own choice: parts interference
from noise, some 3 Hz."""

QUIET_MARGIN_S: Final = 0.3
"""Distance kept from applications, where the tone comes and goes. Origin: own choice: three lengths of a block."""

TONE_IN_QUIET_POWER_RATIO: Final = 10.0
"""A line this many times the mean power of noise is a tone. Origin: computed: noise reaches it in one line in
20,000."""

TONE_OWN_LINES: Final = 3.0
"""Lines on either side of a tone that a Hann window lets it reach. Origin: Harris, Proc. IEEE 66 (1978) 51, and one
line for a frequency between two."""

QUIET_PIECES: Final = 5
"""Most quiet pieces, spread over the recording, that are examined. Origin: own choice: keeps memory small."""

EXCHANGED_PAIRS: Final = 2
"""Up to this many exchanged pairs are mistakes in patching; with more, the list is in another order. Origin: own
choice: several exchanges at once are one wrong order rather."""

USUAL_CALIBRATORS_HZ: Final = (250.0, 1000.0)
"""Tone frequencies of most calibrators, sought where the stated one is missing. Origin: IEC 60942 (public texts)."""

SAME_CALIBRATOR_TONE_PCT: Final = 5.0
"""Calibrators whose frequencies are nearer than this cannot be told apart by them. Origin: own choice: calibrators keep
their frequency to a few percent."""


# Calibrator recordings: the tone of one application

TONE_LEVEL_STEP_S: Final = 0.5
"""Length of the short levels whose standard deviation tells how steady a tone is. Origin: common practice."""

CREST_SAMPLE_SHARE: Final = 0.995
"""Share of the samples below what counts as the crest. Origin: own choice: above it noise would decide."""

TOP_FROM_CREST_SHARE: Final = 0.975
"""Share of the crest from which a sample begins to belong to its top. Origin: own choice: a sine has 5.4 % of its
samples between this and the full share; a sharp edge would make the count jump where every period is sampled at the
same few moments."""

TOP_FULL_CREST_SHARE: Final = 0.995
"""Share of the crest from which a sample belongs to its top in full. Origin: own choice, as for the share from which it
begins."""

FLAT_TOP_RATIO: Final = 1.35
"""A crest is cut off where it holds this many times as many samples as the fitted sine. Origin: computed: the crest is
then cut by 1.5 % or more; a second or third harmonic at the limit of distortion makes 1.1 to 1.2, noise less than 1."""

CLIPPED_TONE_SAMPLES: Final = 3
"""Samples in a row at full scale that count as clipped. Origin: common practice."""

UNSETTLED_LENGTH_SHARE: Final = 0.5
"""Longest stretch at another level, as a share of the steady part's length. Origin: own choice: a coupler that
settles."""

FLAT_TOP_CONVERTER_STEPS: Final = 200
"""Smaller crests cannot be told from cut ones. Origin: computed: the top is 2 % of the crest, four of these steps."""

APPLICATION_MARGIN_S: Final = 0.5
"""An application this much longer than needed, without a steady part of the needed length, was unsteady, not short.
Origin: own choice: handling at both ends."""

LONGEST_MEASURED_TONE_S: Final = 10.0
"""A longer steady part is measured in its middle. Origin: own choice: ten seconds fix level and frequency, and memory
stays small."""


# Calibration: comparing checks and sensors

CALIBRATORS_APART_STANDARD_UNCERTAINTIES: Final = 2.0
"""Two calibrators may differ by this many standard uncertainties of their levels' difference. Origin: coverage factor
of about 95 % (GUM 6.2)."""

SHOWN_COMMON_PART_DB: Final = 0.05
"""A smaller common part of a difference is not reported. Origin: own choice: smaller than any calibrator is certain
to."""

SAME_SENSOR_CHECKS_DB: Final = 0.2
"""Two checks of one sensor agree within this. Origin: common practice."""

EXCHANGE_AT_LEAST_DB: Final = 0.5
"""From this change on, levels alone show an exchange. Origin: from memory: no sound sensor drifts so far (ISO 3744)."""

EXCHANGE_CROSSWISE_SHARE: Final = 0.25
"""Exchanged levels match crosswise within this share of the change. Origin: own choice: sensors drift besides."""

EXCHANGE_CLEARER_SHARE: Final = 0.5
"""One assignment fits where it is off by no more than this share of what the other is off by. Origin: own choice: half
as far off."""

LINEARITY_LEVEL_STEP_DB: Final = 8.0
"""Least difference between calibrator levels from which linearity is tested. Origin: own choice: calibrators of 94,
104, 114 and 124 dB are 10 dB apart or more, each within its adapter and the air."""

COMMON_DEVIATION_SENSORS: Final = 3
"""Least sensors whose median is not led by a single one. Origin: own choice: the median of two is their mean."""

LEAK_BELOW_HZ: Final = 500.0
"""Leaking fits are sought with calibrator tones below this frequency. Origin: common practice: a leak lowers low
frequencies first; at 250 Hz it shows, at 1 kHz hardly."""

LEAK_UNSTEADINESS_RATIO: Final = 3.0
"""A leaking fit is this many times less steady than the others' median. Origin: own choice: clearly outside the spread
of sound fits."""

EXCHANGE_FIT_LIMIT_SHARE: Final = 0.5
"""Share of the deviation limit within which two sensors must fit each other's charts. Origin: own choice: clearly
better than merely within the limit."""

SMALL_SENSITIVITY_CHANGE_DB: Final = 0.2
"""Changes up to this pass without action, of one sensor as of all together. Origin: common practice."""

SENSITIVITY_BASE_SESSIONS: Final = 5
"""A sensor's last sessions with which a session is compared. Origin: own choice: enough for a steady median, few enough
that a sensor which stepped counts as steady again after three sessions."""

CONTROL_LIMITS_SESSIONS: Final = 5
"""Least sessions from which control limits of a sensor are drawn. Origin: own choice: a mean of fewer than four moving
ranges is too uncertain; handbooks ask for 20 and more, which few sensors ever reach."""

SENSITIVITY_STEP_DB: Final = 0.5
"""Largest change of a sensor between two sessions. Origin: from memory: limit between checks in noise codes such as ISO
3744."""


# Control charts and repeatability

MEAN_RANGE_OF_TWO_SD: Final = 1.128
"""d2, the mean range of two values of a normal distribution. Origin: NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.2; ISO 7870-2 (from memory)."""

MOVING_RANGE_LIMIT_MEAN_RANGES: Final = 3.267
"""D4 for two values, the upper limit of the moving range. Origin: NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.2; ISO 7870-2 (from memory)."""

CONTROL_TREND_VALUES: Final = 6
"""Values in a row, each above (or each below) the one before, that make a trend. Origin: ISO 8258:1991, test 3 (from
memory); common practice; other codes ask for seven."""

COMMON_SHIFT_SENSORS: Final = 3
"""Least series whose median shows a common shift. Origin: common practice: one of two alone moves their median."""

SAME_VALUE_UNITS: Final = 1e-9
"""Differences up to this are rounding, not change, in the unit of the values. Origin: own choice: far above double
precision, far below any change."""

CONTROL_LIMITS_VALUES: Final = 2
"""Least values for control limits. Origin: computed: a moving range needs two."""

CONTROL_JUDGED_VALUES: Final = 5
"""Least values of which one can lie beyond the control limits. Origin: computed: of four values none lies 2.66 mean
moving ranges off their mean."""

REPEATABILITY_LIMIT_SD: Final = 2.8
"""Repeatability limit in repeatability standard deviations, 1.96 sqrt(2). Origin: ISO 5725-6 (from memory)."""

BETWEEN_SESSIONS_KNOWN_SESSIONS: Final = 4
"""With fewer sessions the scatter between them is hardly known. Origin: common practice."""

GRUBBS_AT_LEAST_SESSIONS: Final = 3
"""Least sessions for the test of the farthest mean. Origin: computed: of two means neither is further out than the
other."""

CHANGE_ABOVE_NOISE_SHARE: Final = 1e-3
"""A change no larger than its noise is taken as this share of it. Origin: own choice: keeps degrees of freedom finite
and changes no variance that shows."""


# Scatter of repeats

UNEQUAL_SCATTER_P: Final = 0.2
"""Conditions whose scatter differs at this level, two-sided, are not pooled. Origin: own choice after simulating 0.05
to 0.4: intervals become 2 % wider than with 0.05, and a condition that scatters five times as much at all positions is
told from the others. A test that only decides which variance to use guards at 0.1 to 0.25 (Bancroft, Ann. Math. Stat.
15 (1944) 190, and after him, from memory)."""

RESTLESS_POSITION_MEDIAN_RATIO: Final = 2.5
"""Positions beyond this many times the condition's median scatter do not count for the condition. Origin: own choice:
where one position alone is restless, the condition is not."""

UNEQUAL_SCATTER_DOF: Final = 50.0
"""Most degrees of freedom that the test of equal scatter takes. Origin: own choice: more would tell apart standard
deviations less than a fifth apart, which do not matter."""

CORRELATED_ROW_PAIRS: Final = 400
"""Most pairs of rows, spread evenly, from which correlations are estimated. Origin: own choice: more change the third
digit."""

COMPARED_OTHER_POSITIONS: Final = 4
"""Other positions with which each position is compared in another row. Origin: own choice: time."""

BAND_OWN_SCATTER_P: Final = 0.2
"""From this level on, a band that scatters more than its neighbours uses its own repeats; from there the neighbours'
degrees of freedom go to zero with the p-value, without a step. Origin: a test that only decides which variance to use
guards at 0.1 to 0.25 (Bancroft, Ann. Math. Stat. 15 (1944) 190, and after him, from memory)."""

NEIGHBOURS_LEAST_DOF: Final = 0.5
"""Neighbouring bands with fewer degrees of freedom say nothing of how bands differ. Origin: own choice: half a degree
is worth less than one repeat."""

LENT_DOF: Final = 4.0
"""Most degrees of freedom that all others lend to a position without repeats. Origin: own choice: the position itself
may scatter otherwise."""

REGION_AT_LEAST_LINES: Final = 5
"""Least lines of a region of the spectrum. Origin: own choice: fewer may be a single tone."""

OTHER_REPEATS_DIFFERENCES: Final = 6
"""Least independent differences between other repeats from which their scatter is estimated. Origin: simulated: with
fewer, chance has no bound."""

OUTLYING_PAIR_RATIO: Final = 40.0
"""A pair of repeats beyond this multiple of the median square difference counts for no scatter. Origin: computed: 4.3
standard deviations of a normal difference; one outlying run must not hide another."""

ONE_TIME_HOURS2: Final = 1e-9
"""Sum of squared times about their mean below which all repeats were made at one time. Origin: own choice: repeats 0.2
s apart; rounding leaves some 1e-32."""

NEIGHBOUR_BANDS: Final = 2
"""Bands to either side that count as neighbours of a band. Origin: own choice: what a run or a mount does to third
octaves half an octave away is much the same."""

REPEAT_TEST_LINES: Final = 10
"""Least lines of a spectrum that is tested against its repeats. Origin: own choice: fewer make no whole spectrum."""

SETTING_DOF: Final = 2.0
"""Degrees of freedom of a variance that is a setting and not a measurement. Origin: own choice: little trust."""

MEASURED_SESSION_CHANGES: Final = 3.0
"""With fewer independent changes between sessions the assumed standard deviation counts too, for as many changes as it
has degrees of freedom. Origin: own choice, see docs/validation.md."""

SESSION_VARIANCE_CHANGES: Final = 2.0
"""Least independent changes between sessions for a variance. Origin: own choice: t with one degree of freedom is
12.7."""

DOMINANT_RUN_RATIO: Final = 1.5
"""A run is named where the interval without it would be this many times narrower. Origin: own choice: looking into that
run is then worth the time."""

INFINITE_DOF: Final = 1e6
"""Degrees of freedom from which on they are written as infinite. Origin: own choice: more change no coverage factor."""


# Comparisons, selection and ranks

CONTRIBUTION_GRID_DB: Final = 0.5
"""Spacing of the true contributions that are considered. Origin: own choice: finer than levels are known."""

CONTRIBUTION_BELOW_LARGEST_DB: Final = 40.0
"""How far the considered contributions reach below the largest one. Origin: own choice: a smaller one adds nothing."""

CONTRIBUTION_ABOVE_LARGEST_DB: Final = 6.0
"""How far the considered contributions reach above the largest one. Origin: own choice: room for the uncertainty of the
largest."""

CONTRIBUTION_BELOW_ZERO_STANDARD_ERRORS: Final = 3.0
"""A contribution measured further below zero counts as this far below. Origin: own choice: one gross value must not
decide the spread of all."""

CONTRIBUTION_FIT_ROUNDS: Final = 60
"""Rounds of expectation and maximisation. Origin: own choice: more change nothing that shows."""

CONTRIBUTION_LEAST_SPREAD_DB: Final = 2.0
"""Least spread of the contributions. Origin: own choice: a few spots cannot agree by chance."""

NO_CONTRIBUTION_LEAST_SHARE: Final = 1e-3
"""Least share of spots without, and of spots with, a contribution. Origin: own choice: neither is ruled out by a few
spots."""

NO_DIFFERENCE_SHARE: Final = (0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.997)
"""Shares of the family without any true difference that are considered. Origin: own choice: more change nothing that
shows."""

LEAST_SPREAD_STANDARD_ERRORS: Final = 0.15
"""Smallest spread of true differences that is considered. Origin: own choice: a smaller one cannot be told from
none."""

SPREAD_STEP_RATIO: Final = 1.5
"""Ratio from one considered spread to the next. Origin: own choice: finer steps change nothing that shows."""

OUTLYING_DIFFERENCE_SHARE: Final = 0.01
"""Share of the differences that may lie anywhere. Origin: own choice: one absurd difference must not make all others
look widely spread."""

COUNTED_CHANCE_P: Final = 1e-9
"""A component with a smaller chance is left out of a difference's distribution. Origin: own choice: it changes nothing
that shows."""

LIKELY_MIXTURE_SHARE: Final = 1e-6
"""Mixtures less likely than this share of the likeliest are left out. Origin: own choice: together they change nothing
that shows."""

VARIANCE_CUTS_P: Final = (0.0, 0.002, 0.01, 0.04, 0.12, 0.25, 0.42, 0.6, 0.78, 0.93, 1.0)
"""Probabilities at which the chi-square distribution of a variance is cut into parts. Origin: own choice: closer where
the variance is small."""

KNOWN_ERROR_DOF: Final = 200.0
"""Degrees of freedom from which on a standard error counts as known. Origin: own choice: quantiles of t and of the
normal distribution then differ by about 1 %."""

FITTED_DIFFERENCES: Final = 1500
"""Most differences, evenly taken, that tell the spread of a family. Origin: own choice: time, and more change nothing
that shows."""

SHRUNK_AT_ONCE_DIFFERENCES: Final = 500
"""Differences that are computed at once. Origin: own choice: memory."""

FAMILY_MEAN_ROUNDS: Final = 6
"""Rounds in which a family's mean is found. Origin: own choice: more change nothing that shows."""

CERTAIN_DOF: Final = 1e9
"""Degrees of freedom that stand for infinitely many. Origin: own choice: quantiles no longer change."""

LEAST_VARIANCE_DB2: Final = 1e-12
"""A smaller variance, of equal values, is taken as this one. Origin: own choice: keeps its logarithm finite."""

EQUAL_VARIANCES_DOF: Final = 1e6
"""Prior degrees of freedom from which on true variances are equal. Origin: own choice: pooled variances no longer
change."""

SELECTED_DIFFERENCES: Final = 10
"""Largest differences of a family that get an interval after selection, whether shown to differ or not. Origin: own
choice: more than a reader acts on."""

FAMILY_AT_LEAST_DIFFERENCES: Final = 5
"""Least differences of a family for intervals after selection. Origin: own choice: fewer say too little of how they are
spread."""

CLEAR_CHANGE_STANDARD_ERRORS: Final = 3.0
"""A drift, or a change of a condition that was measured again, counts from this many standard errors on. Origin: own
choice: the usual three."""

ADVISED_RUNS: Final = 99
"""Most further runs a side that are advised. Origin: own choice: more are no advice."""

ADVISED_RUNS_P: Final = 0.2
"""Largest adjusted p-value with which more runs are advised. Origin: own choice: at most one such hint in five is
chance."""

ADDITIVITY_PARTITIONS: Final = 1000
"""Partitions of a whole into measured parts that are examined, those of the smallest parts first. Origin: own choice:
time."""

AXIS_HOLDS_LINES_SHARE: Final = 0.99
"""Share of the line ends that the axis of a line figure holds. Origin: own choice: a few lines beyond it would flatten
all others."""


# Input files: plausibility

SENSITIVITY_OFF_MEDIAN_RATIO: Final = 300.0
"""A value this many times off the median of its kind was mistyped. Origin: own choice: a slip of milli is 1000; sensors
of one size that serve loud and quiet places differ by some tens."""

COORDINATE_OFF_MEDIAN_RATIO: Final = 200.0
"""A position this many times further from the origin than the median was mistyped. Origin: own choice: millimetres
among metres are 1000 times as far; a few positions near the origin of a long body lower the median by less."""

MEDIAN_AT_LEAST_VALUES: Final = 3
"""Least values of which a median says anything. Origin: own choice: of two values neither is off."""

FIRST_YEAR: Final = 1950
"""Earliest year of a recording or certificate. Origin: own choice: magnetic tape."""

LAST_YEAR: Final = 2100
"""Latest year of a recording or certificate. Origin: own choice: what a clock set wrongly may show."""

OFF_SESSION_DAYS: Final = 300
"""A recording further from the middle of its session was hardly made in it. Origin: own choice: a year mistyped."""

SESSION_WITHIN_DAYS: Final = 60
"""Most recordings of a session lie this near to their middle, if another can be said to be off. Origin: own choice: not
so in monitoring over years."""

SHORTEST_PART_S: Final = 0.1
"""A shorter part of a recording gives no level at low frequencies. Origin: own choice: two periods of 20 Hz."""

LARGEST_VALUE_UNITS: Final = 1e12
"""No quantity of a campaign is larger, in the unit of its column. Origin: own choice: squares, fourth powers and
products can still be computed with."""

SMALLEST_VALUE_UNITS: Final = 1e-12
"""No quantity of a campaign other than zero is smaller, in the unit of its column. Origin: own choice: squares, fourth
powers and products can still be computed with."""

LARGEST_LEVEL_DB: Final = 1000.0
"""No level of a campaign is larger. Origin: own choice: as a ratio of powers, 1e100, it can still be computed with."""

SLOWEST_FLOW_MPS: Final = 1e-6
"""A flow slower than this, and not still, cannot be computed with. Origin: own choice: levels are scaled by high powers
of speed."""

FURTHEST_OUTLINE_M: Final = 1000.0
"""Coordinates of an outline beyond this are in another unit. Origin: own choice: further away than any body reaches."""


# Input files: sizes

TEXT_FILE_BYTES: Final = 50_000_000
"""Largest table or settings file that is read. Origin: own choice: a flow series of five hours at 100 readings a second
is shorter."""

YAML_NESTING_LEVELS: Final = 40
"""Deepest nesting of a settings file. Origin: own choice: settings nest a few levels deep."""

YAML_VALUES: Final = 100_000
"""Most values of a settings file. Origin: own choice: aliases can make a short file endless."""

OUTLINE_FILE_BYTES: Final = 1_000_000
"""Largest outline file that is read. Origin: own choice: an outline needs some kilobytes, and every start of the
workflow reads it."""

DATA_SHEET_FILE_BYTES: Final = 1_000_000
"""Largest file that is opened as a sensor's data sheet. Origin: own choice: a data sheet has 40 bytes; a file below the
limit that is none is named when it is decoded."""

LONGEST_NAME_BYTES: Final = 255
"""Longest name of a file or folder. Origin: NAME_MAX of the usual file systems (POSIX limits.h; from memory)."""

LONGEST_PATH_BYTES: Final = 1000
"""Longest path in a campaign's files. Origin: own choice: with the campaign folder before it and a table's name behind
it well below the usual PATH_MAX of 4096."""

RECORDING_CHANNELS: Final = 65_536
"""An array with more columns is a transposed one. Origin: own choice: no recorder has so many channels."""

HDF5_PIECE_BYTES: Final = 64 * 2**20
"""Largest stored piece of a dataset that is read; one is kept while its frames are handed out. Origin: own choice:
memory."""

HEADER_CHUNKS: Final = 10_000
"""Most chunks of a header. Origin: own choice: a file of zeros must not be walked through eight bytes at a time."""

PADDING_BYTES: Final = 65_536
"""Bytes behind the samples that belong to no chunk and still count as padding. Origin: own choice: one cluster of a
disk."""

HASHED_FAULTY_FILE_BYTES: Final = 1 << 30
"""Of a larger file that is no recording only size and times are kept. Origin: own choice: read within a second, while a
file can be larger than anybody would wait for."""


# Lines and sizes of sensors

SIZE_SPREAD_DB: Final = 1.0
"""Difference of what the sensor's size takes off a band at two speeds, above which a collapse of their spectra is in
doubt. Origin: own choice: over a usual range of speeds it moves an exponent by 1."""

LINE_SEARCH_LOWEST_SPEED_SHARE: Final = 0.3
"""Lowest convection speed that is searched along a line of sensors, as a share of the run's speed. Origin: own choice:
half of the 0.6 that is usual."""

LINE_SEARCH_HIGHEST_SPEED_SHARE: Final = 1.5
"""Highest convection speed that is searched along a line of sensors, as a share of the run's speed. Origin: own choice:
flow around a body is faster than the run by a third at most; sound is faster than that by far."""

LINE_SEARCH_COHERENCE_MOST_SHARE: Final = 0.9
"""Coherence from which on a line counts no more in the search for the direction. Origin: own choice: a tone's coherence
of nearly 1 would outweigh all noise that the flow carries."""

LINE_AGAINST_STANDARD_ERRORS: Final = 5.0
"""How far neighbours on a line must fit a speed upstream better than any downstream to contradict their order. Origin:
own choice: the best of some hundred speeds that are tried lies 3 standard errors off by chance."""

LINE_PHASE_MOST_RAD: Final = 0.3
"""Standard deviation of a pair's phase up to which the pair is used. Origin: own choice: phases wrap at pi, ten times
as far."""

LINE_DISTANCES_APART_TIMES: Final = 1.2
"""How many times the shortest used distance on a line the longest is for the coherence at no distance to be fitted.
Origin: own choice: sensors are glued a tenth of their distance off at most."""

LINE_MISFIT_STANDARD_ERRORS: Final = 4.0
"""From so many standard errors on, what one speed leaves of a line's phases is more than chance. Origin: own choice: a
sum of a few squares passes it once in 2,000 bands."""

LINE_MISFIT_MOST_RAD: Final = 0.25
"""Rms of what one speed leaves of a line's phases, beyond which several waves are there and no speed is given. Origin:
own choice: a second wave 12 dB below the first turns its phase by so much."""

LINE_AT_NO_DISTANCE_MOST_RATIO: Final = 1.15
"""Largest coherence at no distance that a decay is given with. Origin: computed: a coherence is 1 at most, and
averaging over discs that touch raises what is extrapolated to 1.1."""

LINE_RESOLVED_TIMES: Final = 1.0
"""Wavelengths of the flow's pressure that a line must hold for sound to be told from flow. Origin: computed: the lobe
of an untapered line of length L reaches 2 pi / L in wavenumber."""

LINE_SPEED_MOST_SHARE: Final = 0.25
"""Widest half interval of a convection speed that is given, as a share of it. Origin: own choice: the usual range, 0.6
to 0.8 of the flow's speed, is known without a measurement."""


# The page

HEAT_STEPS_DB: Final = (1.5, 4.0)
"""Where the colours of the table of bands deepen. Origin: own choice: three shades are told apart, also in print."""

TONE_ON_ITS_LINE_SHARE: Final = 0.5
"""A tone that is on its line for a smaller share of the time is said to come and go, or to move. Origin: own choice:
half of the time."""

SPOT_BANDS_SHARE: Final = 0.8
"""Share of a group's contribution that its range of bands holds. Origin: own choice: four fifths name the range to work
in without its tails."""


# Starting a campaign

NEW_SESSION_AFTER_DAYS: Final = 3.0
"""Recordings further apart in time are proposed as another session. Origin: own choice: longer than a weekend, shorter
than the weeks between two fittings."""

RECORDED_ONE_BY_ONE_S: Final = 2.0
"""How far a recording may begin before the end of the one before, by the times of their files, for these to be
believed. Origin: common practice: FAT keeps times in steps of 2 s."""

EARLIEST_CLOCK_YEAR: Final = 2000
"""Files of earlier years come from a recorder whose clock was not set. Origin: own choice: clocks without a battery
start in 1970 or 1980."""

FOUND_CALIBRATOR_TONE_TO_NOISE_DB: Final = 20.0
"""Ratio of tone to noise from which a steady tone makes a recording one of a calibrator. Origin: own choice: a tone of
the flow that stands out further is rarely steady too."""

FOUND_CALIBRATOR_RMS_UNITS: Final = 0.1
"""Middle of the range in which a calibrator's tone is sought in a recording of unknown scale, in its own unit. Origin:
own choice: with the range of unstated sensitivities, 80 dB below full scale to 100 V or Pa."""

TEXT_PROBE_BYTES: Final = 4096
"""So much of a file of unknown kind is looked at to tell text from samples. Origin: own choice: samples hold a byte
that no text has long before."""


# Running

FREE_FOLDER_BYTES: Final = 65_536
"""Room that a folder must have for a run to start. Origin: own choice: logs and small tables."""

KILLED_RUN_WAIT_S: Final = 2.0
"""How long a run waits for jobs of an earlier run that was killed. Origin: own choice: its jobs end soon after it."""

STOP_WAIT_S: Final = 10.0
"""How long jobs may take to stop before they are killed, which leaves their outputs whole. Origin: own choice: longer
than a job takes to finish what it writes."""

PRINTING_S: Final = 300.0
"""How long a browser may take to print the page. Origin: own choice: many figures on a slow machine take a minute; a
browser that hangs takes for ever."""
