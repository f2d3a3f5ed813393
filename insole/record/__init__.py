"""What is kept on file: plan, limits, tables, questions."""
