"""Fault injection with evidence: cases from a file, on a simulated chip or a bench, each measured and judged.

    campaign = load_campaign("pump_faults.yaml")
    for result in run_campaign(campaign, SimulatedBench):
        result.case, result.verdict, result.why
    junit(campaign, results), rows(results)

What comes in: a campaign file (`load`), the stage or map that it names. What goes out: one `Result` a
case and repeat, from it a table, JUnit XML and JSON lines (`results`), and a plan of what to do on a
bench before there is any hardware (`plan`). A simulated chip tests the plan and the firmware
around it, and proves nothing about silicon.
"""
