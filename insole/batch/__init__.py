"""Many cases in one go: a folder of scans becomes measures, plans or parts, and one summary.

    pairing    files of a folder -> cases: what belongs to one rider, left and right
    watching   a folder that a scanner writes to -> files that are complete
    task       one case -> what came of it, as plain data; made as ``make`` makes it
    ledger     what was done already, known by the content of all that went in
    crew       processes on this machine, replaced now and then
    cluster    the same tasks on a Dask cluster that is there
    thumbs     a small picture of a sole
    summary    a table (CSV) and a page (HTML) of all cases, written whole
    shift      strings them together

Names of files only say what belongs together; which foot a scan shows is told from the scan.
"""
