//! The lick file: round trips, errors with their exact text, and what is played.

use doublecheck::lick::Lick;
use doublecheck::lick::library;

#[test]
fn every_embedded_lick_reads_and_prints_back() {
    for name in library::names() {
        let lick = doublecheck::lick::find(name)
            .unwrap_or_else(|e| panic!("{e}\n{}\n{}", e.excerpt(), e.hint()));
        let printed = lick.to_toml();
        let again = Lick::parse(&printed, name)
            .unwrap_or_else(|e| panic!("{e}\n{}\n{}", e.excerpt(), e.hint()));
        assert_eq!(again, lick, "{name}:\n{printed}");
        let slug = lick.title.to_lowercase().replace(' ', "-");
        assert_eq!(slug, name);
    }
}
