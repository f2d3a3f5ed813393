"""The whole way, from scan files to parts on the bench.

    files -> measuring.measure_feet -> MeasuredFoot (left, right)
          -> plans.plan_feet        -> Plan          (shoe, wishes, answers, limits)
          -> making.make            -> a folder with print, cut, solid and paper files, read back
          -> keeping, riding        -> the store of cases, trials, the next step

The command line, the desk, batch runs and tests all come through here; each stage is a pure
function elsewhere, and these modules only string them together. What is asked for stands in
``request``; ``processes`` measures so that one scan takes none of the others with it.
"""
