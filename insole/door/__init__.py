"""Behind the front door of ``insole``: what scripts and the desk call, by job.

wishes   options in plain words -> the planner's wishes, and back from a plan
bench    measured feet + shoe + wishes -> Plan, fast enough to follow a hand
parts    Plan -> solids to look at, check and write one by one; or the whole folder
views    Plan -> maps, sections and outlines as arrays
riding   Plan + what the rider said -> Trial, log, next plan
"""
