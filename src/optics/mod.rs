//! Spectra and observers, quartz, interference colour forward and back. Pure functions.
