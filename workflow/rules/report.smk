# What was made from what, and the page that circulates.


rule manifest:
    input:
        JOBS["manifest"].inputs(PLAN, ""),
    output:
        report(
            JOBS["manifest"].outputs(PLAN, ""),
            caption="../report/manifest.rst",
            category="Campaign",
        ),
    log:
        f"{RESULTS}/logs/manifest/manifest.log",
    benchmark:
        f"{RESULTS}/benchmarks/manifest/manifest.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: JOBS["manifest"].digest(PLAN),
    shell:
        "tapeline manifest > {log:q} 2>&1"


rule report:
    input:
        JOBS["report"].inputs(PLAN, ""),
    output:
        report(
            JOBS["report"].outputs(PLAN, ""),
            caption="../report/campaign.rst",
            category="Campaign",
        ),
    log:
        f"{RESULTS}/logs/report/report.log",
    benchmark:
        f"{RESULTS}/benchmarks/report/report.tsv"
    threads: JOBS["report"].most_threads
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: JOBS["report"].digest(PLAN),
    shell:
        "tapeline report --threads {threads} > {log:q} 2>&1"
