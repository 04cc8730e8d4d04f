# Read the headers of all raw frames, sort them into sessions and masters. Run by the front door, before the
# graph of the other rules is built from what this leaves; its own files are never removed before it runs.


rule inventory:
    output:
        record=out.qa("inventory", "frames"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: "frames",
        settings=graph.settings_for("inventory"),
        code=graph.code_for("inventory"),
    log:
        out.log("inventory", "frames"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "inventory"
    conda:
        ENVIRONMENT
    script:
        "../scripts/inventory.py"
