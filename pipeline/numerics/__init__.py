"""Numerics shared by the stages: functions on arrays, without files and without the workflow."""
