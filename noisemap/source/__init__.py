"""What a truck emits: rolling, propulsion and the exhaust while the engine brakes."""
