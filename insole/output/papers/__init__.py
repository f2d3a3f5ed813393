"""Papers: bench page, plan page, report, template, gauges, traveller."""
