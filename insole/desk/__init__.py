"""The desk: a local web app for the fitter with a rider in the chair."""
