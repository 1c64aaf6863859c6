"""From an analysis to what people and programs read: JSON, terminal summary, HTML report."""
