"""``crackdetect completion``."""

from __future__ import annotations

import click

from crackdetect.cli.completing import VARIABLE

#: Zsh completes nothing before this has run.
_ZSH = "(( $+functions[compdef] )) || { autoload -Uz compinit && compinit }\n"


@click.command(name="completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish", "powershell"]))
def command(shell: str) -> None:
    """Let your shell complete commands, options, roasts and coffees: prints what it has to be told.

    Write it where your shell reads it, once:

    \b
    bash:       crackdetect completion bash >> ~/.bashrc
    zsh:        crackdetect completion zsh >> ~/.zshrc
    fish:       crackdetect completion fish > ~/.config/fish/completions/crackdetect.fish
    PowerShell: crackdetect completion powershell >> $PROFILE

    It holds in terminals that are opened from then on, where crackdetect is on the PATH.

    Example: crackdetect completion bash >> ~/.bashrc
    """
    from click.shell_completion import get_completion_class

    from crackdetect.cli.entry import PROGRAM, cli

    of_shell = get_completion_class(shell)
    assert of_shell is not None
    script = of_shell(cli, {}, PROGRAM, VARIABLE).source()
    if shell == "zsh":  # behind the first line, which says what is completed
        first, _, rest = script.partition("\n")
        script = f"{first}\n{_ZSH}{rest}"
    click.echo(script, nl=False)
