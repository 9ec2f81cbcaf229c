"""A real or simulated chip over an adapter: read, write, bring up, verify, watch.

    from regmap.link.port import AdapterPort
    from regmap.link.session import Link
    from regmap.link.bringup import apply, identify, verify
    from regmap.wire.ports import SerialLine

    port = AdapterPort(lambda: SerialLine("/dev/ttyACM0"), stage.chip.spi, name="/dev/ttyACM0")
    port.open()
    link = Link(stage.chip, port)
    done = apply(link, stage.bank)
    done.ok, done.account.lines()

What holds everywhere: a word is reported as good only with evidence (`session`), nothing is sent a
second time that could act twice (`rules`), and after any failure `Link.account()` says what the
chip is known to hold, what is unknown, and how to reach a safe state (`known`). Importing this
package loads nothing; its modules load construct, and pyserial when a port is opened.
"""
