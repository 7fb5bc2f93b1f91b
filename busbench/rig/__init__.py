"""The aircraft as a plan: devices, hubs and leads; its faults, harness, set-up and motion."""
