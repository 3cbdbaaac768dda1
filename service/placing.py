"""Where every wrench of one evidence stands: worked out when it is first asked for, then kept.

Under laws learnt earlier the wrenches that differ from an evidence before move, and no others. Laws
that the store holds serve if they cover every wrench; else laws are learnt from this very evidence.
"""

from threading import Lock
from typing import TYPE_CHECKING

from analysis.vocabulary import Member
from service.shop_frames import ShopFrames

if TYPE_CHECKING:
    from analysis.fleet import FleetFit
    from service.shop_laws import Laws, ShopLaws


class Placing:
    """The wrenches of these frames under laws; begun by `of`.

    own_laws  laws in force that cover every wrench; None: there are none
    shared    whose laws they are; None: this evidence has laws of its own
    """

    def __init__(
        self,
        frames: ShopFrames,
        own_laws: "Laws | None" = None,
        shared: "ShopLaws | None" = None,
    ) -> None:
        self._frames = frames
        self._own_laws = own_laws
        self._shared = shared
        self._lock = Lock()
        self._fit: FleetFit | None = None
        # The one before, under the same laws, and what differs.
        self._before: tuple[Placing, frozenset[Member]] | None = None

    @classmethod
    def of(
        cls, frames: ShopFrames, in_force: "Laws | None", shared: "ShopLaws | None"
    ) -> "Placing":
        """in_force  laws that the store holds; None: there are none"""
        return cls(frames, _covering(in_force, frames), shared)

    @property
    def laws(self) -> str:
        """Version of the evidence whose laws serve this one."""
        return self._own_laws.evidence if self._own_laws else self._frames.version

    def moved_on(
        self,
        frames: ShopFrames,
        now: ShopFrames,
        moved: "frozenset[Member]",
        in_force: "Laws | None",
    ) -> "Placing":
        """The placing of the next frames.

        now       the frames of those that may have changed
        moved     of these, what differs
        in_force  as in `of`
        """
        known = self._own_laws and in_force and in_force.evidence == self.laws
        anew = Placing(frames, _covering(in_force, now if known else frames), self._shared)
        if anew.laws == self.laws:
            # This one's fit may be under way: whoever needs the next one's waits for it then.
            anew._before = self, moved
        return anew

    def under(self, laws: "Laws") -> "Placing":
        """The same wrenches under other laws in force."""
        return Placing.of(self._frames, laws, self._shared)

    def fit(self) -> "FleetFit":
        with self._lock:
            if self._fit is None:
                self._fit = self._placed()
            return self._fit

    def _placed(self) -> "FleetFit":
        from analysis.fleet import fit_fleet
        from analysis.fleet_update import update_fleet
        from service.shop_laws import Evidence

        if self._shared is None:
            return fit_fleet(self._frames.wrenches, self._frames.deviations)
        laws, before = self._own_laws, self._before
        if laws is not None and before is not None:
            self._before = None  # and all that it alone holds
            was, changed = before
            own = self._frames.only({serial for serial, _ in changed})
            fit = update_fleet(was.fit(), own.wrenches, own.deviations, changed, laws.families)
            if fit is not None:
                return fit
        evidence = Evidence(self._frames.version, self._frames.wrenches, self._frames.deviations)
        return self._shared.place(laws or self._shared.learn(evidence), evidence)


def _covering(laws: "Laws | None", frames: ShopFrames) -> "Laws | None":
    """The laws, if every wrench of the frames that has a reading is of a family of theirs."""
    from analysis.fleet import laws_cover

    if laws is None or not laws_cover(laws.families, frames.wrenches, frames.deviations):
        return None
    return laws
