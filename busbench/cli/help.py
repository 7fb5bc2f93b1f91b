"""`busbench help`: the reference by topic, and the manual page."""

from __future__ import annotations

import click

from busbench.reference.topics import topic_list, topic_text


@click.command("help")
@click.argument("topic", required=False, metavar="[TOPIC]")
@click.option("--man", "is_man", is_flag=True, help="Write a manual page of all commands (roff).")
def command(topic: str | None, is_man: bool) -> None:
    """Show the reference on a TOPIC; without one list the topics.

    \b
    busbench help
    busbench help results
    busbench help --man
    """
    if is_man:
        from busbench.cli.manual import manual_page

        click.echo(manual_page(), nl=False)
    elif topic is None:
        click.echo(f"Topics of `busbench help TOPIC`:\n\n{topic_list()}\n")
        click.echo("Options of a command: busbench COMMAND --help")
    else:
        click.echo_via_pager(topic_text(topic.lower()))
