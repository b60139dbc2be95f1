"""Stored paths and energies to sound: band filters, impulse responses, WAV."""
