"""The only bridge: everything later can be redone from the result file alone."""
