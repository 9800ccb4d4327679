"""What a truck does on a descent: forces, gears, retarder, brake temperature."""
