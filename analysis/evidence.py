"""The frames in which evidence enters: one row a wrench, a reading, a check, a recorded pull.

Torque is N·m, time is UTC days since 1970-01-01 (with the fraction of the day), deviations are
worked out here and nowhere else. Voided checks never get this far.
"""

import polars as pl

WRENCHES = pl.Schema(
    {
        "wrench": pl.String,  # serial
        "mechanism": pl.String,  # analysis.vocabulary.Mechanism
        "lowest_nm": pl.Float64,  # lowest marked value
        "full_scale_nm": pl.Float64,
        # maximum permissible deviation; null: the wrench has no stated tolerance that way
        "mpd_cw_pct": pl.Float64,
        "mpd_ccw_pct": pl.Float64,
        "mpd_cw_of_full_scale": pl.Boolean,  # true: % of full scale; false: % of reading
        "mpd_ccw_of_full_scale": pl.Boolean,
        "resolution_nm": pl.Float64,  # null: not stated
    }
)

READINGS = pl.Schema(
    {
        "wrench": pl.String,
        "direction": pl.String,  # analysis.vocabulary.Direction
        "check": pl.String,  # identity of the check: the unit of independent evidence
        "kind": pl.String,  # analysis.vocabulary.CheckKind
        "day": pl.Float64,
        "cycles": pl.Float64,  # count on the wrench at the check; null: not known
        "card": pl.Boolean,  # from the certificate that came with the wrench
        "target_nm": pl.Float64,
        "indicated_nm": pl.Float64,  # set or shown by the wrench (X_a of ISO 6789)
        "reference_nm": pl.Float64,  # measured by the tester (X_r of ISO 6789)
    }
)

# What else is known of each check, asked for only by studies of people and instruments.
CIRCUMSTANCES = pl.Schema(
    {
        "check": pl.String,  # identity of the check
        "operator": pl.String,  # null: nobody is named
        "tester": pl.String,  # serial; null: a card
        "step_nm": pl.Float64,  # step in which its tester's readings are written; null: not known
    }
)

PULLS = pl.Schema(
    {
        "pull": pl.String,  # identity of the record
        "wrench": pl.String,
        "direction": pl.String,
        "job": pl.String,  # the shop's own reference
        "day": pl.Float64,
        "torque_nm": pl.Float64,
        "count": pl.Int64,  # pulls alike
    }
)
