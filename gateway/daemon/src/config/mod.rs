//! F9: configuration files to checked settings, with all mistakes at once.
