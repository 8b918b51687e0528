"""What is kept and shown: result files, figures and the report."""
