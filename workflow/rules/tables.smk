# One step a session: verdicts on its channels beside each other; backgrounds subtracted, levels put together for readers.
# Of a session that lends others its backgrounds the verdicts are a step of their own.


rule verdicts:
    input:
        lambda wildcards: STEPS["verdicts"].inputs(PLAN, wildcards.session),
    output:
        STEPS["verdicts"].file(PLAN.results, "{session}"),
    log:
        f"{RESULTS}/logs/verdicts/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/verdicts/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=300,
    params:
        digest=lambda wildcards: STEPS["verdicts"].digest(PLAN, wildcards.session),
    shell:
        "tapeline step verdicts {wildcards.session:q} > {log:q} 2>&1"


rule tables:
    input:
        lambda wildcards: STEPS["tables"].inputs(PLAN, wildcards.session),
    output:
        STEPS["tables"].file(PLAN.results, "{session}"),
    log:
        f"{RESULTS}/logs/tables/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/tables/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: STEPS["tables"].digest(PLAN, wildcards.session),
    shell:
        "tapeline step tables {wildcards.session:q} > {log:q} 2>&1"
