//! `pintle setup`: what is written once when Pintle is installed: man pages and completions of shells, made from the
//! commands themselves.

use super::{Cli, complain};
use crate::exit::Exit;
use clap::CommandFactory as _;
use clap_complete::Shell;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Write what is needed once at an installation.
#[derive(Debug, clap::Args)]
pub struct SetupArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Write the man pages (man1) and the completions of shells into a folder.
    Docs {
        /// The folder; it is made if it is not there.
        folder: PathBuf,
    },
}

/// Writes them.
pub fn setup(args: &SetupArgs, out: &mut dyn Write) -> Exit {
    let What::Docs { folder } = &args.what;
    match docs(folder) {
        Ok(files) => {
            // Who stops reading has seen enough; the files are there.
            drop(writeln!(out, "{files} files written to {}", folder.display()));
            Exit::Good
        }
        Err(error) => {
            complain(&format!("{} can't be written: {error}", folder.display()), "name another folder");
            Exit::Act
        }
    }
}

/// One page for each command, and one completion for each shell. Answers how many files there are.
fn docs(folder: &Path) -> io::Result<usize> {
    let (man, completions) = (folder.join("man1"), folder.join("completions"));
    for folder in [&man, &completions] {
        std::fs::create_dir_all(folder)?;
    }
    // The version is in the footer of every page; a fixed date keeps two builds the same.
    let mut command = Cli::command();
    command.build();
    let mut files = 0;
    pages(&command, &man, &mut files)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Cli::command(), "pintle", &completions)?;
        files += 1;
    }
    Ok(files)
}

fn pages(command: &clap::Command, folder: &Path, files: &mut usize) -> io::Result<()> {
    let name = command.get_display_name().unwrap_or_else(|| command.get_name()).to_owned();
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).title(name.to_uppercase()).render(&mut page)?;
    std::fs::write(folder.join(format!("{name}.1")), page)?;
    *files += 1;
    for inner in command.get_subcommands().filter(|inner| inner.get_name() != "help") {
        pages(inner, folder, files)?;
    }
    Ok(())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_a_page_that_names_its_options() {
        let folder = tempfile::tempdir().unwrap();
        let files = docs(folder.path()).unwrap();
        let page = |name: &str| std::fs::read_to_string(folder.path().join("man1").join(name)).unwrap();
        for command in Cli::command().get_subcommands() {
            let page = page(&format!("pintle-{}.1", command.get_name()));
            assert!(page.contains(".SH SYNOPSIS") && page.contains(".SH DESCRIPTION"), "{}", command.get_name());
        }
        assert!(page("pintle-survey.1").contains("\\-\\-token\\-file"));
        assert!(10 < files);
    }

    /// All commands with their names in full, and the visible long options and verbs of each.
    fn all(command: &clap::Command, found: &mut Vec<(String, Vec<String>, Vec<String>)>) {
        let name = command.get_display_name().unwrap_or_else(|| command.get_name()).to_owned();
        let visible = command.get_arguments().filter(|arg| !arg.is_hide_set());
        let options = visible.filter_map(|arg| arg.get_long().map(str::to_owned)).collect();
        let shown = |inner: &&clap::Command| inner.get_name() != "help" && !inner.is_hide_set();
        let inner: Vec<&clap::Command> = command.get_subcommands().filter(shown).collect();
        let verbs = inner.iter().map(|inner| inner.get_name().to_owned()).collect();
        found.push((name, options, verbs));
        for inner in inner {
            all(inner, found);
        }
    }

    #[test]
    fn each_verb_and_each_option_stands_in_its_page_and_in_the_completions_of_three_shells() {
        let folder = tempfile::tempdir().unwrap();
        docs(folder.path()).unwrap();
        let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
        let (bash, zsh, fish) =
            (read("completions/pintle.bash"), read("completions/_pintle"), read("completions/pintle.fish"));
        let mut command = Cli::command();
        command.build();
        let mut found = Vec::new();
        all(&command, &mut found);
        let mut options_seen = 0;
        for (name, options, verbs) in &found {
            let page = read(&format!("man1/{name}.1"));
            for option in options {
                options_seen += 1;
                let dashed = format!("\\-\\-{}", option.replace('-', "\\-"));
                assert!(page.contains(&dashed), "{name}: --{option} is not in its page");
                for (shell, text, like) in [
                    ("bash", &bash, format!("--{option}")),
                    ("zsh", &zsh, format!("--{option}")),
                    ("fish", &fish, format!("-l {option}")),
                ] {
                    assert!(text.contains(&like), "{name}: --{option} is not in the completions of {shell}");
                }
            }
            for verb in verbs {
                assert!(page.contains(&verb.replace('-', "\\-")), "{name}: {verb} is not in its page");
                for (shell, text) in [("bash", &bash), ("zsh", &zsh), ("fish", &fish)] {
                    assert!(text.contains(verb), "{name}: {verb} is not in the completions of {shell}");
                }
            }
        }
        assert!(25 < found.len() && 100 < options_seen, "{} commands, {options_seen} options", found.len());
        let pages = std::fs::read_dir(folder.path().join("man1")).unwrap().count();
        assert_eq!(pages, found.len(), "a page for each command, and none of a command that is no more");
    }
}
