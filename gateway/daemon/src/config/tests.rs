//! Examples, a corpus of broken files, variables, and things that are no configuration at all.

use std::path::Path;

use super::load_with;

fn examples() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/examples")
}

#[test]
fn the_example_of_a_small_shop_loads_without_a_warning() {
    let loaded =
        load_with(&examples().join("small-shop.toml"), &[]).unwrap_or_else(|r| panic!("{}", r.draw(false)));
    assert_eq!(loaded.warnings.mistakes, [], "{}", loaded.warnings);
    assert_eq!(loaded.settings.engine.sumps.len(), 2);
    assert_eq!(loaded.settings.engine.probes.len(), 8);
}
