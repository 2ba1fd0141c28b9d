# What is found in all sessions: comparisons, speed, repeats, the tables of the campaign, what made each table; and the
# page that circulates. Nothing else waits for the first of these, so one process does them all.


rule findings:
    input:
        STEPS["findings"].inputs(PLAN, ""),
    output:
        STEPS["findings"].file(PLAN.results, ""),
        update(
            report(
                JOBS["compare"].outputs(PLAN, "")[:2],
                caption="../report/compared.rst",
                category="Tables",
            )
        ),
        update(
            report(
                JOBS["manifest"].outputs(PLAN, ""),
                caption="../report/manifest.rst",
                category="Campaign",
            )
        ),
        update(
            report(
                JOBS["report"].outputs(PLAN, ""),
                caption="../report/campaign.rst",
                category="Campaign",
            )
        ),
    log:
        f"{RESULTS}/logs/findings.log",
    benchmark:
        f"{RESULTS}/benchmarks/findings.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: STEPS["findings"].digest(PLAN, ""),
    shell:
        "tapeline step findings > {log:q} 2>&1"
