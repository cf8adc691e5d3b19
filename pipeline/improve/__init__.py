"""The analyst's loop: labels checked, heads trained on them, a candidate weighed against what is in use."""
