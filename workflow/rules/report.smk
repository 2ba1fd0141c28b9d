# The page that circulates.


rule report:
    input:
        STEPS["report"].inputs(PLAN, ""),
    output:
        STEPS["report"].file(PLAN.results, ""),
        update(
            report(
                JOBS["report"].outputs(PLAN, ""),
                caption="../report/campaign.rst",
                category="Campaign",
            )
        ),
    log:
        f"{RESULTS}/logs/report.log",
    benchmark:
        f"{RESULTS}/benchmarks/report.tsv"
    threads: JOBS["report"].most_threads
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: STEPS["report"].digest(PLAN, ""),
    shell:
        "tapeline step report --threads {threads} > {log:q} 2>&1"
