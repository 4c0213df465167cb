//! Other ways to write a lick down: MusicXML, Standard MIDI Files, plain-text tab.
