"""Sweeps over surveyed things -> the head's offset, scale and backlash, and the beam's half width at each thing.

The posterior of `bench_posterior` is sampled: it has flat tops and edges, so that its mean is nearer the truth than its
peak, and middles of runs are several times worse.  What the data cannot tell is left out, with the reason.  A bent
servo is looked for where there are things enough, and named only if it pays.

Angles in radians from straight ahead, counter-clockwise; ranges in metres from the ranger's face; both before
calibration.  Applying the values is `calibration`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, frozen
from sonargrid.bench.bench_posterior import LEAST_BEARING_SIGMA_RAD, LOGISTIC, Layout, Posterior, layout_of, loss_db
from sonargrid.bench.heard_things import Evidence, Sighting, Sweeps, evidence_of, things_heard
from sonargrid.bench.walkers import sample_posterior

LEAST_SPAN_RAD = math.radians(20.0)  # things closer together than this say nothing of the scale
LATE_SHAPE_M = 0.0005  # by which lateness departs from the straight law: benchmarks/README.md, head calibration
BEND_THINGS = 4  # offset and scale take two of them, and one is no curve
BEND_SIGMAS = 3.0  # a bend nearer to nothing than this does not pay
WALKERS_A_PARAMETER, BURN_IN, STEPS = 3, 350, 350
SEED = 20260504  # of the walkers: same sweeps, same answer


@dataclass(frozen=True, slots=True)
class HeadFit:
    """Offset, scale and backlash of the head; nan = the data cannot tell, and `reasons` says why.

    Sigmas include the survey's and, for the offset, the station's heading.
    half_rad, half_sigma_rad : (things,) half width of the beam at each thing; nan where it was not heard
    residual_rad, residual_sigma_rad : (things,) how far each thing alone, turned to the left, would fit better, and how
        far chance and the survey alone would turn it; nan if not heard
    bend_rad, bend_sigma_rad : a servo that departs by bend * sin(2 angle); nan where it was not looked for or does not
        pay
    covariance : (3, 3) of offset, scale, backlash; nan where the data cannot tell
    """

    angle_offset_rad: float
    angle_offset_sigma_rad: float
    angle_scale: float
    angle_scale_sigma: float
    backlash_rad: float
    backlash_sigma_rad: float
    range_bias_m: float
    range_bias_sigma_m: float
    half_rad: Floats
    half_sigma_rad: Floats
    soft_rad: float
    residual_rad: Floats
    residual_sigma_rad: Floats
    reasons: tuple[str, ...]
    covariance: Floats
    bend_rad: float = math.nan
    bend_sigma_rad: float = math.nan

    def __post_init__(self) -> None:
        for name in ("half_rad", "half_sigma_rad", "residual_rad", "residual_sigma_rad", "covariance"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


def fit_head(sweeps: Sweeps, things: Sequence[Sighting], heading_sigma_rad: float = 0.0) -> HeadFit:
    """Return the head's offset, scale and backlash from sweeps over surveyed things.

    The head angle of a thing is scale * commanded + offset - backlash / 2 * turning, as in `calibration`, with
    commanded angles already in head sense (0 = straight ahead, growing to the left).

    Parameters
    ----------
    sweeps : Sweeps
        One station's readings, both turning senses if backlash is wanted.
    things : sequence of Sighting
        The surveyed things; ranges at least 8 cm apart keep their echoes apart.
    heading_sigma_rad : float
        Of the station's stated heading [rad]; goes into the offset's sigma.

    Raises
    ------
    ValueError
        If none of the things was heard.
    """
    seen, own = things_heard(sweeps, things)
    if not seen:
        raise ValueError("none of the surveyed things was heard: their ranges do not occur in the sweeps")
    used = [things[t] for t in seen]
    evidence = evidence_of(sweeps, things, seen, own)
    posterior = Posterior(evidence, used, _layout(evidence, used, bend=False))
    at = posterior.layout
    drawn = _sampled(posterior, evidence)
    head = np.stack([_column(drawn, at, place, value) for place, value in _head_columns(at)], axis=1)
    mean, covariance = head.mean(axis=0), np.atleast_2d(np.cov(head.T))
    covariance[0, 0] += heading_sigma_rad**2
    half, half_sigma = np.full(len(things), np.nan), np.full(len(things), np.nan)
    halves = posterior.half_widths(drawn)
    half[seen], half_sigma[seen] = halves.mean(axis=0), halves.std(axis=0)
    bias, bias_variance = posterior.bias(drawn)
    told = np.array([True, at.scale >= 0, at.backlash >= 0])
    values = np.where(told, mean, np.nan)
    sigmas = np.where(told, np.sqrt(np.diag(covariance)), np.nan)
    residual, residual_sigma = _residuals(posterior, drawn, seen, len(things))
    bend = _bend(evidence, used) if len(used) >= BEND_THINGS and at.scale >= 0 else (math.nan, math.nan)
    return HeadFit(
        angle_offset_rad=float(values[0]),
        angle_offset_sigma_rad=float(sigmas[0]),
        angle_scale=float(values[1]),
        angle_scale_sigma=float(sigmas[1]),
        backlash_rad=float(values[2]),
        backlash_sigma_rad=float(sigmas[2]),
        range_bias_m=float(bias.mean()),
        range_bias_sigma_m=math.sqrt(float(bias.var() + bias_variance.mean()) + LATE_SHAPE_M**2),
        half_rad=half,
        half_sigma_rad=half_sigma,
        soft_rad=_softness(posterior, drawn, halves),
        residual_rad=residual,
        residual_sigma_rad=residual_sigma,
        reasons=tuple(_reasons(at)),
        covariance=np.where(told & told[:, None], covariance, np.nan),
        bend_rad=bend[0],
        bend_sigma_rad=bend[1],
    )


def _head_columns(at: Layout) -> tuple[tuple[int, float], ...]:
    return (0, 0.0), (at.scale, 1.0), (at.backlash, 0.0)


def _column(drawn: Floats, at: Layout, place: int, otherwise: float) -> Floats:
    return np.asarray(at.column(drawn, place, otherwise)[:, 0])


def _layout(evidence: Evidence, used: Sequence[Sighting], bend: bool) -> Layout:
    bearing = np.array([t.bearing_rad for t in used])
    both = any(set(evidence.turning[evidence.heard == at]) >= {1.0, -1.0} for at in range(len(used)))
    exact = max(t.bearing_sigma_rad for t in used) < LEAST_BEARING_SIGMA_RAD
    free = {"offset"} | ({"bend"} if bend else set()) | ({"backlash"} if both else set())
    if float(np.ptp(bearing)) >= LEAST_SPAN_RAD:
        free.add("scale")
    return layout_of(len(used), free, exact)


def _sampled(posterior: Posterior, evidence: Evidence) -> Floats:
    rng = np.random.default_rng(SEED)
    size = posterior.layout.size
    walkers = 2 * ((WALKERS_A_PARAMETER * size + 1) // 2)
    start = posterior.start(*_guess(evidence, posterior), walkers, rng)
    return sample_posterior(posterior.cost, start, STEPS, BURN_IN, rng)


def _guess(evidence: Evidence, posterior: Posterior) -> tuple[float, float, float]:
    """Return rough (offset, scale, backlash): from the middles of what each thing answered, sense by sense."""
    middle, lag = [], []
    for at in range(posterior.layout.things):
        own = evidence.heard == at
        senses = [evidence.angle_rad[own & (evidence.turning == sense)] for sense in (1.0, -1.0)]
        ends = [0.5 * float(a.min() + a.max()) for a in senses if a.size >= 3]
        whole = evidence.angle_rad[own]
        middle.append(0.5 * float(whole.min() + whole.max()) if len(ends) < 2 else 0.5 * sum(ends))
        lag += [ends[0] - ends[1]] if len(ends) == 2 else []
    looked = np.array(middle)
    scale = 1.0
    if posterior.layout.scale >= 0:
        scale = float(np.clip(np.polyfit(looked, posterior.bearing, 1)[0], 0.7, 1.4))
    backlash = max(0.01, float(np.median(lag))) if lag else 0.0
    return float(np.median(posterior.bearing - scale * looked)), scale, backlash


def _softness(posterior: Posterior, drawn: Floats, halves: Floats) -> float:
    """Return how softly detection falls at the edge of the beam, mean over things [rad of a logistic curve]."""
    at = posterior.layout
    k_a, soft_db = float(np.exp(drawn[:, at.threshold + 1].mean())), float(np.exp(drawn[:, at.threshold + 2].mean()))
    edge = halves.mean(axis=0)
    slope = (loss_db(edge - 0.01, k_a) - loss_db(edge + 0.01, k_a)) / 0.02
    return float(np.mean(soft_db / LOGISTIC / np.maximum(slope, 1.0)))


def _bend(evidence: Evidence, used: Sequence[Sighting]) -> tuple[float, float]:
    """Return a bent servo's bend and sigma [rad]; nan unless it pays for the further number."""
    posterior = Posterior(evidence, used, _layout(evidence, used, bend=True))
    drawn = _sampled(posterior, evidence)[:, posterior.layout.bend]
    value, sigma = float(drawn.mean()), float(drawn.std())
    return (value, sigma) if abs(value) > BEND_SIGMAS * sigma else (math.nan, math.nan)


def _reasons(at: Layout) -> list[str]:
    reasons = []
    if at.scale < 0 and at.things == 1:
        reasons.append("angle_scale: one thing heard gives none; survey a second one at least 60 degrees away")
    elif at.scale < 0:
        reasons.append("angle_scale: the things heard stand within 20 degrees; put them at least 60 degrees apart")
    if at.backlash < 0:
        reasons.append("backlash_deg: no thing was heard in both turning senses; sweep forth and back")
    return reasons


def _residuals(posterior: Posterior, drawn: Floats, seen: list[int], count: int) -> tuple[Floats, Floats]:
    """Return by how much each thing alone would have to be turned to fit best, and how sure that is, (count,) each."""
    residual, sigma = np.full(count, np.nan), np.full(count, np.nan)
    shifts, louder = np.radians(np.arange(-8.0, 8.05, 0.2)), np.arange(-4.0, 4.1, 1.0)
    pairs = np.stack(np.meshgrid(shifts, louder, indexing="ij"), axis=-1).reshape(-1, 2)
    middle = np.tile(drawn.mean(axis=0), (len(pairs), 1))
    if posterior.layout.bearing >= 0:
        middle[:, posterior.layout.bearing :] = 0.0
    for at, thing in enumerate(seen):
        # a thing with one edge hidden may be louder instead of turned: both are tried together
        moved, turned = middle.copy(), np.zeros((len(pairs), posterior.layout.things))
        moved[:, posterior.layout.level + at] += pairs[:, 1]
        turned[:, at] = pairs[:, 0]
        cost = posterior.cost(moved, turned)
        weight = np.exp(cost.min() - cost)
        weight /= weight.sum()
        residual[thing] = float(weight @ pairs[:, 0])
        own = math.sqrt(float(weight @ (pairs[:, 0] - residual[thing]) ** 2))
        sigma[thing] = math.hypot(own, float(posterior.bearing_sigma[at]))
    return residual, sigma
