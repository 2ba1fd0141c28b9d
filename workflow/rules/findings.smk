# What is found in all sessions: comparisons, speed, repeats, the tables of the campaign, and what made each table.


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
