"""The light show: fill rules, letters, lamp shapes, the look, painting and the flash meter."""
