"""The eye: photos to geometry to findings to verdicts against the plan. Imports calib only."""
