"""Pure statistics of torque wrench calibration drift: frames and arrays in, typed results out."""
