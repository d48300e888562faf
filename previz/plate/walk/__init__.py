"""A performer who walks along the bridge: feet found in the cut-outs, and planted on the bridge while they are down."""
