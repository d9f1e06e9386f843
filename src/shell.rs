//! Names as a shell wants them, so that a command in a message can be pasted.

use std::path::{MAIN_SEPARATOR, Path};

/// A name as an argument: in quotes where a shell would part or change it, and never taken for an option.
pub fn argument(name: &Path) -> String {
    let name = name.display().to_string();
    let name = match name.starts_with('-') {
        true => format!("./{name}"),
        false => name,
    };
    let is_plain = |c: char| c.is_alphanumeric() || c == MAIN_SEPARATOR || "/._-+:,@%".contains(c);
    match !name.is_empty() && name.chars().all(is_plain) {
        true => name,
        // Between single quotes all stands for itself; a single quote has to stand outside.
        false => format!("'{}'", name.replace('\'', r"'\''")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_names_stay_and_others_stand_in_quotes() {
        for (name, written) in [
            ("harvest", "harvest"),
            ("../quilts/spring_2.b", "../quilts/spring_2.b"),
            ("Blütenquilt", "Blütenquilt"),
            ("my quilt", "'my quilt'"),
            ("grandma's", r"'grandma'\''s'"),
            ("$HOME; `x` \"y\" *", "'$HOME; `x` \"y\" *'"),
            ("~spring", "'~spring'"),
            ("-o", "./-o"),
            ("-o b", "'./-o b'"),
            ("", "''"),
        ] {
            assert_eq!(argument(Path::new(name)), written);
        }
    }

    /// What a shell makes of it is the name again.
    #[cfg(unix)]
    #[test]
    fn a_shell_reads_the_name_back() {
        for name in [
            "a b",
            "grandma's \"best\"",
            "$HOME `id` \\ * ? ~ # & | ;",
            "ü\tö",
        ] {
            let script = format!("printf %s {}", argument(Path::new(name)));
            let said = std::process::Command::new("sh")
                .args(["-c", &script])
                .output()
                .unwrap();
            assert_eq!(String::from_utf8_lossy(&said.stdout), name);
        }
    }
}
