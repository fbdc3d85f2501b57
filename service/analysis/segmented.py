"""A line that bends once: the exact least-squares fit, whether there is a bend at all, and how surely its place is known.

The model is y = a + b x + d max(x - k, 0) + c z + error, continuous at the break k, with optional further terms z (Orr et
al. 1982; continuous form Jones and Molitoris 1984; both from memory). It is linear in everything but k. Between two
neighbouring values of x the two lines may be fitted apart; where they meet inside that interval the meeting point is the
least-squares break there, in closed form. Elsewhere the best break of the interval is one of its ends. So trying each
interval and each data point once gives the exact minimum, with no grid.

Searching for the break makes its F ratio large by chance, so no F table applies: a null distribution of the largest F over
all breaks is made by resampling residuals in a way that keeps their autocorrelation.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from service.analysis.moments import mean, moments_of_columns, quantiles, standard_deviation
from service.analysis.series import Floats

#: Rows on either side of the break (project default).
LEAST_POINTS = 5
#: Resamples of the test and of the interval, and their knots (project defaults).
TEST_RESAMPLES = 399
INTERVAL_RESAMPLES = 200
_TEST_KNOTS = 48
_INTERVAL_KNOTS = 120
_TINY = 1e-12


@dataclass(frozen=True, slots=True)
class BrokenLine:
    """The best line with one break.

    Attributes
    ----------
    position : float
        x at the break, within the data.
    intercept : float
        Of the line before the break, at x = 0, further terms at 0.
    slope_before, slope_after : float
    further : tuple of float
        Coefficients of the further terms.
    sse : float
        Sum of squared residuals.
    sse_line : float
        That of one straight line with the same further terms.
    n : int
        Points.
    """

    position: float
    intercept: float
    slope_before: float
    slope_after: float
    further: tuple[float, ...]
    sse: float
    sse_line: float
    n: int

    @property
    def value(self) -> float:
        """Y at the break, further terms at 0."""
        return self.intercept + self.slope_before * self.position

    def predict(self, x: Floats, further: Floats | None = None) -> Floats:
        """Y of the model.

        Parameters
        ----------
        x : ndarray of float, shape (m,)
        further : ndarray of float, shape (m, p), optional

        Returns
        -------
        ndarray of float, shape (m,)
        """
        bend = (self.slope_after - self.slope_before) * np.maximum(x - self.position, 0.0)
        answer: Floats = self.intercept + self.slope_before * x + bend
        if further is not None:
            answer = answer + further @ np.asarray(self.further)
        return answer


@dataclass(frozen=True, slots=True)
class BreakTest:
    """Whether there is a break.

    Attributes
    ----------
    largest_f : float
        Largest F over the breaks tried: (fall of SSE / 2) / (SSE / (n - 4 - p)).
    p_value : float
        Share of resamples without a break whose largest F is at least as large, counting the data themselves.
    resamples, block_rows : int
        How the null distribution was made.
    """

    largest_f: float
    p_value: float
    resamples: int
    block_rows: int


@dataclass(frozen=True, slots=True)
class _Base:
    """What every break shares: the straight line and the further terms as orthonormal columns, rows sorted by x."""

    order: NDArray[np.intp]
    x: Floats  # sorted, scaled to mean 0 and SD 1
    centre: float
    scale: float
    columns: Floats  # (n, q), orthonormal


def _base(x: Floats, further: Floats | None) -> _Base | None:
    """Of free terms; None where x is constant."""
    n = x.size
    if further is not None and further.shape[:1] != (n,):
        raise ValueError(f"x has {n} rows and the further terms {further.shape[0]}; give one row a point.")
    order = x.argsort(kind="stable")
    centre, scale = (mean(x), standard_deviation(x)) if n else (0.0, 0.0)
    if scale <= _TINY * max(abs(centre), 1.0):
        return None
    scaled = (x[order] - centre) / scale
    parts = [np.ones(n), scaled]
    for one in () if further is None else further[order].T:
        spread = standard_deviation(one)
        if spread > 0:
            parts.append((one - mean(one)) / spread)
    columns, triangle = np.linalg.qr(np.array(parts).T)
    columns = columns[:, np.abs(triangle.diagonal()) > 1e-8 * np.sqrt(n)]
    return _Base(order, scaled, centre, scale, columns)


def _holding(base: _Base, term: Floats, held: float) -> _Base:
    """With a further term that is held: of its direction it takes only a part.

    That is what profiling it out with a normal prior of SD `held` times the residual SD leaves of it.
    """
    sorted_term = term[base.order]
    own = sorted_term - base.columns @ (base.columns.T @ sorted_term)
    size = float(own @ own)
    if size <= _TINY * term.size:
        return base
    part = held**2 * size / (1.0 + held**2 * size)
    return replace(base, columns=np.column_stack((base.columns, own * np.sqrt(part / size))))


def _after(values: Floats) -> Floats:
    """Sums over all later rows: row i is the sum of rows i + 1 and on."""
    answer: Floats = np.zeros_like(values)
    answer[:-1] = np.cumsum(values[:0:-1], axis=0)[::-1]
    return answer


def _allowed(x: Floats, least: int) -> tuple[int, int]:
    """First and last place of a sorted x between which a break may lie, or an empty range."""
    return least - 1, x.size - least


def _best_break(base: _Base, rest: Floats, first: int, last: int, *, upward: bool) -> float | None:
    """Place of the best break, on the scaled x."""
    # Sums over the rows after each place: of 1 and x, of both with the shared columns, and with the residuals.
    x, q = base.x, base.columns.shape[1]
    # The last bits of sums of products depend on how columns lie in memory: these lie as those of the base.
    summed = np.empty((x.size, 5 + 2 * q), order="F" if base.columns.flags.f_contiguous else "C")
    summed[:, 0] = 1.0
    summed[:, 1] = x
    summed[:, 2] = x * x
    summed[:, 3] = rest
    summed[:, 4] = rest * x
    summed[:, 5 : 5 + q] = base.columns
    summed[:, 5 + q :] = base.columns * x[:, None]
    after = _after(summed)
    ones, sum_x, sum_xx, rest_1, rest_x = after[:, :5].T.copy()
    shared, shared_x = after[:, 5 : 5 + q], after[:, 5 + q :]
    # Inner products of the two columns "after" and "x after", with what the shared columns explain taken out.
    g11 = ones - np.einsum("ij,ij->i", shared, shared)
    g12 = sum_x - np.einsum("ij,ij->i", shared, shared_x)
    g22 = sum_xx - np.einsum("ij,ij->i", shared_x, shared_x)

    # At a data point the hinge is "x after" - x_i "after". Only places with enough points on either side count.
    inside = slice(first, last + 1)
    at, g11, g12, g22, rest_1, rest_x = (one[inside] for one in (x, g11, g12, g22, rest_1, rest_x))
    length = g22 - 2 * at * g12 + at * at * g11
    pull = rest_x - at * rest_1
    sound = length > 1e-10
    if upward:
        sound &= pull > 0
    fall = np.divide(pull**2, length, out=np.zeros_like(at), where=sound)
    place = int(np.argmax(fall))
    best, position = float(fall[place]), float(at[place])

    # Between two data points the two lines are free; their meeting point is the break if it lies there.
    if at.size > 1:
        after_it = at[1:]
        at, g11, g12, g22, rest_1, rest_x = (one[:-1] for one in (at, g11, g12, g22, rest_1, rest_x))
        both = g11 * g22
        determinant = both - g12**2
        free = (after_it > at) & (determinant > 1e-12 * np.maximum(both, _TINY))
        step = (g22 * rest_1 - g12 * rest_x)[free] / determinant[free]
        bend = (g11 * rest_x - g12 * rest_1)[free] / determinant[free]
        meets = np.divide(-step, bend, out=np.full(step.size, np.nan), where=bend != 0)
        fits = (meets >= at[free]) & (meets <= after_it[free])
        if upward:
            fits &= bend > 0
        if fits.any():
            falls = np.where(fits, step * rest_1[free] + bend * rest_x[free], 0.0)
            chosen = int(np.argmax(falls))
            if falls[chosen] > best:
                best, position = float(falls[chosen]), float(meets[chosen])
    return position if best > 0 else None


@lru_cache(maxsize=64)
def _places(first: int, last: int, knots: int) -> NDArray[np.intp]:
    """Up to `knots` places from the first to the last, evenly spread."""
    places = np.unique(np.linspace(first, last, min(knots, last - first + 1)).round().astype(int))
    places.setflags(write=False)
    return places


def _hinges(base: _Base, knots: int, least_points: int) -> tuple[Floats, Floats]:
    """Hinges at up to `knots` data points, spread evenly over the points, with the shared columns taken out, of length 1.

    Columns are in the order of the sorted x. Also the knots on the scaled x.
    """
    at = base.x[_places(*_allowed(base.x, least_points), knots)]
    new = np.ones(at.size, dtype=np.bool_)
    new[1:] = at[1:] != at[:-1]
    at = at[new]
    hinges = np.maximum(base.x[:, None] - at[None, :], 0.0)
    left = hinges - base.columns @ (base.columns.T @ hinges)
    length = np.sqrt(np.maximum(np.einsum("ij,ij->j", hinges, left), 0.0))
    sound = length > 1e-6
    return left[:, sound] / length[sound], at[sound]


def memory_of(residual: Floats) -> float:
    """How much of an error the next one keeps: first-order autocorrelation about 0, allowing for what the fit took away.

    The estimate is too low by about (1 + 4 r)/n (Marriott and Pope 1954, from memory), which is added; 0 to 0.9.

    Parameters
    ----------
    residual : ndarray of float, shape (n,)

    Returns
    -------
    float
    """
    squares = float(residual @ residual)
    if residual.size < 3 or squares <= 0:
        return 0.0
    found = float(residual[1:] @ residual[:-1]) / squares
    return min(max(found + (1.0 + 4.0 * found) / residual.size, 0.0), 0.9)


class Draws:
    """Which rows resamples draw their errors from: the same for every model of one length, so drawn once.

    Parameters
    ----------
    seed : int
        The same seed gives the same answer.
    """

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._rows: dict[tuple[int, int, int], NDArray[np.intp]] = {}
        self._normal: dict[int, Floats] = {}

    def rows(self, n: int, block_rows: int, resamples: int) -> NDArray[np.intp]:
        """For `n` rows of each resample the places of n - 1 errors, in blocks of neighbours, (n, resamples)."""
        block = max(1, min(block_rows, n - 1))
        known = self._rows.get((n, block, resamples))
        if known is None:
            count = -(-n // block)
            starts = np.random.default_rng(self.seed).integers(0, n - block, size=(count, 1, resamples))
            known = (starts + np.arange(block)[:, None]).reshape(count * block, resamples)[:n]
            self._rows[n, block, resamples] = known
        return known

    def normal(self, resamples: int) -> Floats:
        """Two standard normal numbers a resample, (2, resamples)."""
        known = self._normal.get(resamples)
        if known is None:
            known = self._normal[resamples] = np.random.default_rng([self.seed, 1]).standard_normal(
                (2, resamples)
            )
        return known


@dataclass(frozen=True, eq=False)
class BreakModel:
    """Points with the terms of their model: the fit, the test of the break and its interval share what each needs.

    Attributes
    ----------
    x, y : ndarray of float, shape (n,)
        Finite; in any order for the fit, in the order of time for the test and the interval.
    further : ndarray of float, shape (n, p), optional
        Further terms of the model.
    upward : bool
        Only breaks at which the slope rises.
    held : float, optional
        Prior SD of the coefficient of the last further term, in residual SDs: the term is drawn towards 0. Free if left out.
    spread : ndarray of float, shape (n,), optional
        What the SD of the errors is proportional to, above 0; the same everywhere if left out.
    least_points : int
        Points on either side, those at the break included.
    free : BreakModel, optional
        The same points without the held term, where it is at hand.

    Raises
    ------
    ValueError
        The lengths differ, a value is not finite, or a held term is none.
    """

    x: Floats
    y: Floats
    further: Floats | None = None
    upward: bool = field(default=False, kw_only=True)
    held: float | None = field(default=None, kw_only=True)
    spread: Floats | None = field(default=None, kw_only=True)
    least_points: int = field(default=LEAST_POINTS, kw_only=True)
    free: "BreakModel | None" = field(default=None, kw_only=True, repr=False)

    def __post_init__(self) -> None:
        if self.x.shape != self.y.shape or self.x.ndim != 1:
            raise ValueError(
                f"x has the shape {self.x.shape} and y {self.y.shape}; give two series of the same length."
            )
        if self.free is None and not (np.isfinite(self.x).all() and np.isfinite(self.y).all()):
            raise ValueError("x or y holds a value that is missing or infinite; leave such points out.")
        if self.held is not None and (self.further is None or self.held <= 0):
            raise ValueError("A held term needs a further term and a positive size.")

    def holding(self, term: Floats, held: float, *, upward: bool) -> "BreakModel":
        """The same points with one more term, which is held; what they share is not worked out again."""
        further = np.column_stack(
            (np.empty((self.x.size, 0)) if self.further is None else self.further, term)
        )
        return replace(self, further=further, held=held, upward=upward, free=self)

    @cached_property
    def base(self) -> _Base | None:
        """What every break shares; None where x is constant."""
        if self.held is None or self.further is None:
            return _base(self.x, self.further)
        base = _base(self.x, self.further[:, :-1]) if self.free is None else self.free.base
        return None if base is None else _holding(base, self.further[:, -1], self.held)

    @cached_property
    def moments_of_y(self) -> tuple[float, float]:
        """Mean, and an SD to divide by."""
        if self.free is not None:
            return self.free.moments_of_y
        return mean(self.y), standard_deviation(self.y) or 1.0

    @cached_property
    def fit(self) -> BrokenLine | None:
        """The least-squares line with one break, exactly; see `fit_broken_line`."""
        x, y = self.x, self.y
        base = self.base if x.size >= 2 * self.least_points else None
        if base is None:
            return None
        first, last = _allowed(base.x, self.least_points)
        middle, tall = self.moments_of_y
        ys = (y[base.order] - middle) / tall
        rest = ys - base.columns @ (base.columns.T @ ys)
        sse_line = float(rest @ ys)
        if sse_line <= _TINY * ys.size or first > last:
            return None
        position = _best_break(base, rest, first, last, upward=self.upward)
        if position is None:
            return None
        return self._solved(base, base.centre + base.scale * position, sse_line * tall**2)

    def _solved(self, base: _Base, position: float, sse_line: float) -> BrokenLine:
        """All other coefficients at a known break."""
        x, n, centre, spread = self.x, self.x.size, base.centre, base.scale
        more = np.empty((n, 0)) if self.further is None else self.further
        level, width = moments_of_columns(more)
        width = np.where(width > 0, width, 1.0)
        # The prior is one more row: the held coefficient is 0 but for `held` residual SDs.
        columns = np.zeros((n + (self.held is not None), 3 + more.shape[1]))
        columns[:n, 0] = 1.0
        columns[:n, 1] = (x - centre) / spread
        columns[:n, 2] = np.maximum(x - position, 0.0) / spread
        columns[:n, 3:] = (more - level) / width
        wanted = np.zeros(len(columns))
        # With y about its mean, the intercept is not swamped.
        middle, _ = self.moments_of_y
        wanted[:n] = self.y - middle
        if self.held is not None:
            columns[-1, -1] = 1.0 / (self.held * width[-1])
        found, *_ = np.linalg.lstsq(columns, wanted, rcond=None)
        residual = (wanted - columns @ found)[:n]
        found[0] += middle
        slope, rise = float(found[1]) / spread, float(found[2]) / spread
        coefficients = found[3:] / width
        return BrokenLine(
            position=position,
            intercept=float(found[0] - slope * centre - coefficients @ level),
            slope_before=slope,
            slope_after=slope + rise,
            further=tuple(coefficients.tolist()),
            sse=float(residual @ residual),
            sse_line=sse_line,
            n=n,
        )

    @cached_property
    def _fitted(self) -> Floats:
        """Values of the fit, which is known."""
        assert self.fit is not None  # noqa: S101 asked for beside the fit only
        return self.fit.predict(self.x, self.further)

    def test(self, draws: Draws, *, block_rows: int, resamples: int = TEST_RESAMPLES) -> BreakTest | None:
        """Test whether there is a break, against the largest F that chance gives when there is none.

        Series of errors like the residuals of the broken line, with their memory of each other, are laid on a straight
        line; each is searched for a break like the data.

        Parameters
        ----------
        draws : Draws
        block_rows : int
            Length of the blocks of residuals, after what each keeps of the one before is taken out.
        resamples : int

        Returns
        -------
        BreakTest or None
            None where no break can be fitted.

        Notes
        -----
        Both the data and the resamples are searched at up to 48 data points, evenly spread over the points.
        """
        fit, base = self.fit, self.base
        if fit is None or base is None:
            return None
        x, y = self.x, self.y
        residual = y - self._fitted
        terms = base.columns.shape[1]
        free = x.size - terms - 2
        if free < 1:
            return None
        hinges, _ = _hinges(base, _TEST_KNOTS, self.least_points)
        columns = np.empty((x.size, hinges.shape[1] + terms))
        columns[base.order] = np.hstack((hinges, base.columns))

        def largest(products: Floats, squares: Floats) -> Floats:
            left = squares - np.einsum("ij,ij->i", products[:, -terms:], products[:, -terms:])
            pull = products[:, :-terms]
            most = np.maximum(pull.max(axis=1), 0.0) if self.upward else np.abs(pull).max(axis=1)
            part: Floats = np.divide(most**2, left, out=np.zeros(left.shape), where=left > _TINY * x.size)
            return np.minimum(part, 1.0)

        middle, tall = self.moments_of_y
        scaled = (y - middle) / tall
        seen = float(largest((scaled @ columns)[None, :], np.array([scaled @ scaled]))[0])
        centred = residual - mean(residual)
        centred /= standard_deviation(centred) or 1.0
        chance = largest(*_products(centred, self.spread, columns, draws.rows(x.size, block_rows, resamples)))
        p_value = (1.0 + float((chance >= seen).sum())) / (resamples + 1.0)
        ratio = np.inf if seen >= 1.0 - _TINY else seen / (1.0 - seen) * free / 2.0
        return BreakTest(float(ratio), p_value, resamples, block_rows)

    def interval(
        self,
        draws: Draws,
        *,
        block_rows: int,
        held_sd: float = 0.0,
        place_sd: float = 0.0,
        level: float = 0.95,
        resamples: int = INTERVAL_RESAMPLES,
    ) -> tuple[float, float] | None:
        """Bootstrap interval of the place of the break.

        Series of errors like the residuals of the fit, with their memory, are laid on the broken line; each is fitted anew,
        and the interval holds the middle `level` of the breaks (percentile interval).

        Parameters
        ----------
        draws : Draws
        block_rows : int
        held_sd : float
            Prior SD of the held coefficient in its own unit; resamples differ by it.
        place_sd : float
            SD of the error of x itself near the break, in the unit of x, added to the resamples.
        level : float
            0 to 1.
        resamples : int

        Returns
        -------
        low, high : float, or None
            In the unit of x; it always holds the break of the fit. None where no break can be fitted.

        Notes
        -----
        Breaks of the resamples are searched at up to 120 data points, so the ends are as exact as these lie close.
        """
        fit, base = self.fit, self.base
        if fit is None or base is None:
            return None
        x, further = self.x, self.further
        hinges, at = _hinges(base, _INTERVAL_KNOTS, self.least_points)
        if not at.size:
            return None
        columns = np.empty_like(hinges, order="C")
        columns[base.order] = hinges
        residual = self.y - self._fitted
        widened = (residual - mean(residual)) * np.sqrt(x.size / max(1, x.size - base.columns.shape[1] - 2))
        chance, _ = _products(widened, self.spread, columns, draws.rows(x.size, block_rows, resamples))
        of_held, of_place = draws.normal(resamples)
        pull = self._fitted @ columns + chance
        if self.held is not None and further is not None and held_sd > 0:
            pull += (held_sd * of_held)[:, None] * (further[:, -1] @ columns)
        else:
            of_place = of_held
        strength = np.where(pull > 0, pull, 0.0) if self.upward else np.abs(pull)
        places = base.centre + base.scale * at[strength.argmax(axis=1)] + place_sd * of_place
        low, high = quantiles(places, [(1 - level) / 2, (1 + level) / 2])
        low, high = max(low, float(x.min())), min(high, float(x.max()))
        return min(low, fit.position), max(high, fit.position)


def _products(
    residual: Floats, spread: Floats | None, columns: Floats, rows: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Draw series of errors like the residuals, and multiply each with the columns.

    What each residual keeps of the one before is taken out; what is left is drawn in blocks of neighbours, which keep
    memory of any other kind, and the first is put back (a bootstrap of whitened blocks). Blocks alone would have to be long
    to keep a memory, and then too few to be drawn from. Where the SD of the errors differs, residuals are drawn in units of
    it and given that of the place they land on.

    Returns the products, (resamples, columns), and the sums of squares of the series, (resamples,).
    """
    size = np.ones(residual.size) if spread is None else spread / float(np.sqrt(mean(spread**2)))
    even = residual / size
    keeps = memory_of(even)
    new = even[1:] - keeps * even[:-1]
    new = new - mean(new)
    series = new.take(rows)
    before = series[0]
    before /= np.sqrt(1.0 - keeps**2)
    if keeps > 0:
        kept, part = np.empty_like(before), np.array(keeps)
        multiply, add = np.multiply, np.add
        for row in series[1:]:
            multiply(before, part, kept)
            add(row, kept, row)
            before = row
    series *= size[:, None]
    return series.T @ columns, np.einsum("ij,ij->j", series, series)


def fit_broken_line(
    x: Floats,
    y: Floats,
    further: Floats | None = None,
    *,
    upward: bool = False,
    held: float | None = None,
    least_points: int = LEAST_POINTS,
) -> BrokenLine | None:
    """The least-squares line with one break, exactly.

    Parameters
    ----------
    x, y, further, upward, held, least_points
        See `BreakModel`.

    Returns
    -------
    BrokenLine or None
        None where there are fewer than 2 `least_points` points, x is constant, or no break (upward) lessens the SSE.

    Raises
    ------
    ValueError
        The lengths differ, or a value is not finite.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    return BreakModel(x, y, further, upward=upward, held=held, least_points=least_points).fit
