//! Sound without music: windows, spectra, peaks, onsets.
