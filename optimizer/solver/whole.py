"""Programs with whole numbers whose rows include cones.

The linear program with cuts gives a bound that is proved. The tree (see tree) chooses the whole numbers; what they
leave free is settled exactly, with the same rounds of cuts as a program without any (see cutting).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from constraints.cone import Cone
from optimizer.solver.cutting import GAP, Found, Search, rounded
from optimizer.solver.exact import Vertex
from optimizer.solver.fold import Folded, fold
from optimizer.solver.model import Ending, Program, SolverDisagrees
from optimizer.solver.optimum import (
    RANKING,
    Optimum,
    Ranks,
    held,
    no_dearer,
    optimise,
    places_of,
    settle,
    whole_first,
    whole_ranked,
)
from optimizer.solver.program import relaxed
from optimizer.solver.tree import Tree

_ZERO = Fraction(0)


@dataclass
class Whole:
    """One search: the program and its cones.

    ``with_plain``: the optimum without regard to the cones is asked for too.
    """

    program: Program
    cones: tuple[Cone, ...]
    ranks: Ranks
    with_plain: bool = True

    def run(self) -> Found:
        """The optimum; its ending is TIME_LIMIT where the search stopped before nothing cheaper was left."""
        search = Search(self.cones, self.ranks)
        start = settle(relaxed(self.program))
        if start is None:
            return Found(Optimum(Ending.INFEASIBLE), ())
        loose = search.bound(relaxed(self.program), start)
        if loose.optimum.ending is Ending.INFEASIBLE:
            return loose
        cut = Program(self.program.variables, (*self.program.rows, *loose.cuts))
        tree = Tree(cut, self.cones, self._pinned)
        for point in search.seen:
            tree.learn(point)
        done = tree.run()
        best = tree.best
        if best is None:
            return self._none(loose, tree.reported, done)
        if not self.with_plain:
            return self._answer(loose, search, best, tree.reported, done)
        plain = self._plain(best)
        if plain is best:
            best = plain = self._ranked_plain(best, search, start)
        if done:
            best = self._better_ranked(cut, best, loose)
        return replace(self._answer(loose, search, best, tree.reported, done), plain=plain)

    def _plain(self, best: Optimum) -> Optimum:
        """The cheapest batch without regard to the cones, not ranked; the best with them where none is cheaper."""

        def about(x: Sequence[float]) -> Optimum:
            near = tuple(rounded(value) for value in x)
            return Optimum(Ending.OPTIMAL, near, self.program.cost(near))

        tree = Tree(self.program, (), about, dearest=float(best.cost))
        tree.run()
        found = None if tree.best is None else whole_first(self.program, tree.best.values)
        return best if found is None or found.cost >= best.cost else found

    def _ranked_plain(self, best: Optimum, search: Search, start: Vertex) -> Optimum:
        """The best batch, which nothing without regard to the cones beats, in the order of use if that keeps them."""
        values = whole_ranked(self.program, best.values, self.ranks, start)
        cost = self.program.cost(values)
        return replace(best, values=values, cost=cost) if cost <= best.cost and search.keeps(values) else best

    def _pinned(self, x: Sequence[float]) -> Optimum | None:
        """The optimum with whole numbers fixed at these values, or None."""
        fixed = held(self.program, x)
        if any(not v.lo <= f.lo <= v.hi for v, f in zip(self.program.variables, fixed.variables, strict=True)):
            return None
        folded = fold(fixed, self.cones)
        values: tuple[Fraction, ...] | None = folded.fixed
        if folded.free:
            values = self._near(folded, [*(x[j] for j in folded.free), 1.0])
        if values is None or not self.program.feasible(values) or not all(cone.holds(values) for cone in self.cones):
            return None
        return Optimum(Ending.OPTIMAL, values, self.program.cost(values))

    def _near(self, folded: Folded, x: Sequence[float]) -> tuple[Fraction, ...] | None:
        """Values of all variables at the optimum of what is left free, sought from a point."""
        inner = Search(folded.cones, Ranks((), ()))
        try:
            found = inner.near(folded.program, x)
        except SolverDisagrees:
            found = None
        return None if found is None else folded.unfold(found.values)

    def _better_ranked(self, cut: Program, best: Optimum, loose: Found) -> Optimum:
        """Another batch that costs no more, and uses sooner what ought to be used sooner."""
        places = places_of(self.ranks, cut)
        if not any(places) or not self._has_twins():
            return best
        most = best.cost + GAP * max(Fraction(1), abs(best.cost))
        ranked = no_dearer(cut, places, most, loose.optimum.prices, loose.optimum.bound or _ZERO)

        def settle_ranked(x: Sequence[float]) -> Optimum | None:
            found = self._pinned(x)
            return None if found is None or found.cost > most else replace(found, cost=ranked.cost(found.values))

        dearest = float(ranked.cost(best.values))
        tree = Tree(ranked, self.cones, settle_ranked, most_nodes=RANKING, dearest=dearest)
        tree.run()
        return best if tree.best is None else replace(tree.best, cost=self.program.cost(tree.best.values))

    def _has_twins(self) -> bool:
        """True where two variables cost the same and count the same in every cone, so that equals can be exchanged."""
        kinds = [(v.cost, *(c.coefs[j] for c in self.cones)) for j, v in enumerate(self.program.variables)]
        counted = [kind for kind in kinds if any(kind[1:])]
        return len(set(counted)) < len(counted)

    def _none(self, loose: Found, reported: float, done: bool) -> Found:
        """No batch was found; that is sure where there is none without regard to the cones either."""
        if done and self.with_plain:
            plain = optimise(self.program, Ranks((), ()))
            if plain.ending is Ending.INFEASIBLE and plain.certain:
                return replace(loose, optimum=plain)
        ended = Ending.INFEASIBLE if done else Ending.TIME_LIMIT
        optimum = Optimum(ended, bound=loose.optimum.bound, reported=reported, certain=False)
        return replace(loose, optimum=optimum)

    def _answer(self, loose: Found, search: Search, best: Optimum, reported: float, done: bool) -> Found:
        values = search.ranked(held(self.program, best.values), best.values)
        ended = Ending.OPTIMAL if done else Ending.TIME_LIMIT
        bound, prices = loose.optimum.bound, loose.optimum.prices
        return replace(loose, optimum=Optimum(ended, values, best.cost, bound, reported, prices))
