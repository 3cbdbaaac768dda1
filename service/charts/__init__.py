"""Pictures of what the analyses found: Vega-Lite by altair, drawn here, without a network."""
