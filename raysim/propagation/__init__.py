"""Where the sound goes: images, rays, and what they hand on."""
