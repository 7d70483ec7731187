"""Pictures for people, never for burning: proof, blades and plates, timeline, workload, guide."""
