# Two jobs a session: verdicts on its channels beside each other; backgrounds subtracted, levels put together for readers.


rule verdicts:
    input:
        lambda wildcards: inputs_of("verdicts", wildcards.session),
    output:
        JOBS["verdicts"].outputs(PLAN, "{session}"),
    log:
        f"{RESULTS}/logs/verdicts/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/verdicts/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=300,
    params:
        digest=lambda wildcards: JOBS["verdicts"].digest(PLAN, wildcards.session),
    shell:
        "tapeline verdicts {wildcards.session:q} > {log:q} 2>&1"


rule tables:
    input:
        lambda wildcards: inputs_of("tables", wildcards.session),
    output:
        JOBS["tables"].outputs(PLAN, "{session}"),
    log:
        f"{RESULTS}/logs/tables/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/tables/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: JOBS["tables"].digest(PLAN, wildcards.session),
    shell:
        "tapeline tables {wildcards.session:q} > {log:q} 2>&1"


rule catalogue:
    input:
        inputs_of("catalogue", ""),
    output:
        JOBS["catalogue"].outputs(PLAN, ""),
    log:
        f"{RESULTS}/logs/catalogue/catalogue.log",
    benchmark:
        f"{RESULTS}/benchmarks/catalogue/catalogue.tsv"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        digest=lambda wildcards: JOBS["catalogue"].digest(PLAN),
    shell:
        "tapeline catalogue > {log:q} 2>&1"
