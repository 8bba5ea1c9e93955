"""What a crop shows: the classes, the proposals, the net and its calibration."""
