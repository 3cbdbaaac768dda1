"""Which ranges of wrench would hold torques that no wrench at hand may do, and how few would.

A torque T asks for a full scale F with T <= F, and with T not below the share of full scale from
which the shop trusts a wrench: F in [T, T / share]. The fewest full scales that serve all are the
fewest points that stab all these intervals. Taking, in the order of the upper ends, the upper end
of each interval not yet stabbed is optimal: any set of points needs one in each of the intervals
that were so taken, and those are disjoint.
Reference: J. Kleinberg, E. Tardos, Algorithm Design (2005), section 4.1 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MissingRange:
    """One wrench that would serve several torques.

    least_full_scale_nm, most_full_scale_nm  any full scale between them serves all of them
    torques                                  their places in the list, ascending
    """

    least_full_scale_nm: float
    most_full_scale_nm: float
    torques: tuple[int, ...]


def fewest_ranges(torques_nm: Sequence[float], trusted_from: float) -> tuple[MissingRange, ...]:
    """The fewest wrenches whose trusted range holds every torque, the smallest first.

    torques_nm    above zero
    trusted_from  share of full scale, above 0 and at most 1
    """
    open_places = sorted(range(len(torques_nm)), key=lambda i: (torques_nm[i], i))
    found = []
    while open_places:
        most = torques_nm[open_places[0]] / trusted_from
        held = [i for i in open_places if torques_nm[i] <= most]
        open_places = open_places[len(held) :]
        found.append(
            MissingRange(
                least_full_scale_nm=torques_nm[held[-1]],
                most_full_scale_nm=most,
                torques=tuple(sorted(held)),
            )
        )
    return tuple(found)
